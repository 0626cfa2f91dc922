//! The built binary from outside: stdout, stderr and exit code together.
//!
//! Every test has a home of its own with a git identity in it, a fixed clock,
//! and no environment besides.

mod answers;
mod bench;
mod breathing;
mod browser;
mod by_hand;
mod cache;
mod calc;
mod closed_loop;
mod compare;
mod delay;
mod demo;
mod evidence;
mod fleet;
mod full_disk;
mod git_shows_tables;
mod guards;
mod headroom;
mod help;
mod history;
mod inferred;
#[cfg(unix)]
mod interrupts;
mod kills;
mod knock;
mod liars;
mod logger_guess;
mod loggers;
mod manuals;
mod mixtures;
mod pages;
mod plain_git;
mod points;
mod power;
mod races;
mod readme;
mod response;
mod revisions;
mod rides;
mod season;
mod season_fixture;
mod signing;
mod starting;
mod story;
mod verify;
mod watch;
mod writers;
