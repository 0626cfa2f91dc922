//! A progress bar on standard error, for a person at a terminal.

use super::screen::Screen;
use crate::operations::Progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::time::{Duration, Instant};

/// Work that is done before this shows no bar at all.
const SHOW_AFTER: Duration = Duration::from_millis(250);

pub(crate) struct RideBar {
    bar: ProgressBar,
    wanted: bool,
    begun: Instant,
}

impl RideBar {
    pub fn new(screen: &Screen) -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template("{pos} of {len} rides {wide_bar} {msg} {eta} left") {
            bar.set_style(style);
        }
        Self { bar, wanted: screen.shows_progress(), begun: Instant::now() }
    }
}

impl Progress for RideBar {
    fn begin(&self, rides: usize) {
        self.bar.reset();
        self.bar.set_length(rides as u64);
    }

    fn ride_done(&self, name: &str) {
        if self.wanted && self.bar.is_hidden() && self.begun.elapsed() > SHOW_AFTER {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        self.bar.set_message(name.to_owned());
        self.bar.inc(1);
    }

    fn end(&self) {
        self.bar.finish_and_clear();
    }
}
