//! Text for the terminal and pages for a browser, from the operations' reports. No
//! calculation here.
//!
//! The text carries colour as ANSI codes; whoever prints it strips them where
//! they are not wanted. Nothing is told by colour alone.

mod by_hand;
mod calc;
mod cell;
mod changes;
mod compare;
mod delay;
mod documentation;
mod evidence;
mod gaps;
mod git_setup;
mod headroom;
mod heat;
mod history;
mod knock;
mod logger;
mod mixture;
mod new_bike;
pub mod page;
mod palette;
mod power;
mod rescale;
mod response;
mod run;
mod season;
mod standing;
mod style;
mod text_diff;
mod verify;
mod watch;

pub use by_hand::{build, by_hand, export};
pub use calc::{sum, sum_list};
pub use cell::cell;
pub use changes::{diff, show};
pub use compare::compare;
pub use documentation::{finding_list, name_list, stage_list, stage_page};
pub use evidence::{collected, merged};
pub use gaps::gaps;
pub use git_setup::git_setup;
pub use headroom::headroom;
pub use history::{history, left_out};
pub use knock::knock;
pub use logger::logger_guess;
pub use mixture::mixture;
pub use new_bike::new;
pub use power::power;
pub use rescale::rescale;
pub use response::response;
pub use run::{funnel, run};
pub use season::season;
pub use standing::{check, demo_end, demo_head, demo_round, register, ride_fate, rollback, simulate, status};
pub use style::{faint, strong, warning, wrapped};
pub use verify::verify;
pub use watch::watch_head;
