//! Named instants at which the tests pull the plug.
//!
//! Every place where a kill would leave something half done calls [`step`]. In the finished program
//! that is nothing at all; under test it can end the process on the spot, or report an error, at
//! the n-th instant, so that each of them is tried.

use super::error::LedgerError;

#[cfg(not(test))]
#[inline(always)]
pub(super) fn step(_name: &'static str) -> Result<(), LedgerError> {
    Ok(())
}

#[cfg(test)]
pub(super) use plug::{Plug, arm, passed, step};

#[cfg(test)]
mod plug {
    use super::LedgerError;
    use std::cell::{Cell, RefCell};

    /// What happens at the chosen instant.
    #[derive(Clone, Copy, PartialEq, Eq)]
    pub enum Plug {
        /// The process ends without any clean-up, as after `kill -9`.
        Abort(usize),
        /// The step reports an error, as a full disk would.
        Fail(usize),
    }

    thread_local! {
        static PLUG: Cell<Option<Plug>> = const { Cell::new(None) };
        static PASSED: RefCell<Vec<&'static str>> = const { RefCell::new(Vec::new()) };
    }

    /// Arms (or, with `None`, disarms) this thread's plug and forgets the steps passed so far.
    pub fn arm(plug: Option<Plug>) {
        PLUG.set(plug);
        PASSED.with_borrow_mut(Vec::clear);
    }

    /// The steps passed since [`arm`], in order.
    pub fn passed() -> Vec<&'static str> {
        PASSED.with_borrow(Clone::clone)
    }

    pub fn step(name: &'static str) -> Result<(), LedgerError> {
        let at = PASSED.with_borrow_mut(|passed| {
            passed.push(name);
            passed.len() - 1
        });
        match PLUG.get() {
            Some(Plug::Abort(n)) if n == at => std::process::abort(),
            Some(Plug::Fail(n)) if n == at => Err(LedgerError::Io {
                doing: "pass a test's step at",
                path: name.into(),
                source: std::io::Error::other("plug pulled by the test"),
            }),
            _ => Ok(()),
        }
    }
}
