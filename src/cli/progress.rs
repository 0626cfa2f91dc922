//! A progress bar on standard error, for a person at a terminal; and the way back: whether
//! that person asked to stop.

use super::Context;
use super::interrupt::Interrupts;
use crate::operations::Progress;
use crate::units;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// Work that is done before this shows no bar at all.
const SHOW_AFTER: Duration = Duration::from_millis(250);

pub(crate) struct RideBar {
    bar: ProgressBar,
    wanted: bool,
    rides: AtomicUsize,
    rows: AtomicUsize,
    /// Where a request to stop is heeded.
    interrupts: Option<Interrupts>,
}

impl RideBar {
    pub fn new(context: &Context) -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template("{wide_bar} {msg}") {
            bar.set_style(style);
        }
        let wanted = context.screen.shows_progress();
        Self { bar, wanted, rides: AtomicUsize::new(0), rows: AtomicUsize::new(0), interrupts: None }
    }

    /// The same for a command that stops between rides when it is asked to.
    pub fn with_stop(context: &Context) -> Self {
        Self { interrupts: Some(context.interrupts.clone()), ..Self::new(context) }
    }
}

impl Progress for RideBar {
    fn begin(&self, rides: usize) {
        if let Some(interrupts) = &self.interrupts {
            interrupts.reads();
        }
        self.rides.store(0, Ordering::Relaxed);
        self.rows.store(0, Ordering::Relaxed);
        self.bar.reset();
        self.bar.set_length(rides as u64);
    }

    fn ride_done(&self, _name: &str, rows: usize) {
        let rides = self.rides.fetch_add(1, Ordering::Relaxed) + 1;
        let rows = self.rows.fetch_add(rows, Ordering::Relaxed) + rows;
        let elapsed = self.bar.elapsed();
        if self.wanted && self.bar.is_hidden() && elapsed > SHOW_AFTER {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        let of = self.bar.length().unwrap_or_default() as usize;
        self.bar.set_message(told(rides, of, rows, elapsed.as_secs_f64()));
        self.bar.inc(1);
    }

    fn end(&self) {
        self.bar.finish_and_clear();
    }

    fn is_stopped(&self) -> bool {
        self.interrupts.as_ref().is_some_and(Interrupts::is_asked)
    }

    fn may_write(&self) -> bool {
        self.interrupts.as_ref().is_none_or(Interrupts::writes)
    }
}

/// How far it is: rides, rows, how fast, how long yet. The time that is left is that of the
/// rides to come, as if each took as long as those before.
fn told(rides: usize, of: usize, rows: usize, elapsed_s: f64) -> String {
    let count = format!("{rides} of {} · {} rows", units::counted(of, "ride"), units::count(rows as u64));
    if rides == 0 || elapsed_s <= 0.0 {
        return count;
    }
    let rows_per_s = units::count((rows as f64 / elapsed_s).round() as u64);
    let left_s = elapsed_s / rides as f64 * of.saturating_sub(rides) as f64;
    format!("{count} · {rows_per_s} rows/s · {} left", units::duration(left_s.ceil()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_tells_rides_rows_rate_and_the_time_that_is_left() {
        assert_eq!(
            told(50, 200, 1_234_567, 10.0),
            "50 of 200 rides · 1 234 567 rows · 123 457 rows/s · 30 s left"
        );
        assert_eq!(told(1, 1, 300, 0.5), "1 of 1 ride · 300 rows · 600 rows/s · 0 s left");
        assert_eq!(told(0, 3, 0, 0.0), "0 of 3 rides · 0 rows");
        assert_eq!(told(1, 3, 5, 0.0), "1 of 3 rides · 5 rows");
    }
}
