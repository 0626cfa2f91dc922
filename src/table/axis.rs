//! A checked axis: strictly ascending, finite breakpoints.

/// Fewest and most breakpoints of an axis.
pub const BREAKPOINTS: std::ops::RangeInclusive<usize> = 2..=64;

/// The breakpoints of one side of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis(Vec<f64>);

/// Why a list of numbers is not an axis.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AxisError {
    /// Too few or too many breakpoints.
    #[error("an axis holds 2 to 64 breakpoints, got {got}")]
    Count {
        /// How many there were.
        got: usize,
    },
    /// A breakpoint that is no number.
    #[error("breakpoint {} must be a finite number, got {got}", .position + 1)]
    NotFinite {
        /// Zero-based position.
        position: usize,
        /// The value found.
        got: f64,
    },
    /// A breakpoint not above the one before it.
    #[error("breakpoints must ascend: {got} comes after {before}")]
    NotAscending {
        /// Zero-based position of the offender.
        position: usize,
        /// The breakpoint before it.
        before: f64,
        /// The value found.
        got: f64,
    },
}

impl Axis {
    /// Checks the breakpoints.
    ///
    /// # Errors
    /// The first rule they break.
    pub fn new(breakpoints: Vec<f64>) -> Result<Self, AxisError> {
        if !BREAKPOINTS.contains(&breakpoints.len()) {
            return Err(AxisError::Count { got: breakpoints.len() });
        }
        if let Some(position) = breakpoints.iter().position(|b| !b.is_finite()) {
            return Err(AxisError::NotFinite { position, got: breakpoints[position] });
        }
        if let Some(i) = breakpoints.windows(2).position(|w| w[1] <= w[0]) {
            return Err(AxisError::NotAscending {
                position: i + 1,
                before: breakpoints[i],
                got: breakpoints[i + 1],
            });
        }
        Ok(Self(breakpoints))
    }

    /// The breakpoints.
    pub fn breakpoints(&self) -> &[f64] {
        &self.0
    }

    /// How many there are.
    #[allow(clippy::len_without_is_empty, reason = "an axis is never empty")]
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// The lower breakpoint's position and the share of the upper one.
    ///
    /// Outside the axis the nearest edge answers.
    pub fn locate(&self, x: f64) -> (usize, f64) {
        let b = &self.0;
        let last = b.len() - 2;
        if x <= b[0] {
            return (0, 0.0);
        }
        if x >= b[b.len() - 1] {
            return (last, 1.0);
        }
        let lower = b.partition_point(|v| *v <= x).saturating_sub(1).min(last);
        (lower, (x - b[lower]) / (b[lower + 1] - b[lower]))
    }

    /// The same, where `x` likely lies in the interval of the value before it.
    ///
    /// `near` is that interval's position, and becomes that of `x`.
    pub(super) fn locate_near(&self, x: f64, near: &mut usize) -> (usize, f64) {
        let b = &self.0;
        let (low, high) = (b[*near], b[*near + 1]);
        if low <= x && x < high {
            return (*near, (x - low) / (high - low));
        }
        let found = self.locate(x);
        *near = found.0;
        found
    }

    /// The position of a breakpoint, when `x` is one.
    pub fn position(&self, x: f64) -> Option<usize> {
        self.0.iter().position(|b| *b == x)
    }

    /// The position of the breakpoint nearest to `x`.
    pub fn nearest(&self, x: f64) -> usize {
        let (lower, share) = self.locate(x);
        if share > 0.5 { lower + 1 } else { lower }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_is_no_axis() {
        assert!(matches!(Axis::new(vec![1.0]), Err(AxisError::Count { got: 1 })));
        assert!(matches!(Axis::new(vec![1.0, f64::NAN]), Err(AxisError::NotFinite { position: 1, .. })));
        assert!(matches!(Axis::new(vec![1.0, 1.0]), Err(AxisError::NotAscending { position: 1, .. })));
        assert!(Axis::new((0..65).map(f64::from).collect()).is_err());
        assert!(Axis::new((0..64).map(f64::from).collect()).is_ok());
    }

    #[test]
    fn clamps_outside_and_hits_breakpoints_exactly() {
        let axis = Axis::new(vec![10.0, 20.0, 40.0]).expect("valid");
        assert_eq!(axis.locate(-5.0), (0, 0.0));
        assert_eq!(axis.locate(99.0), (1, 1.0));
        assert_eq!(axis.locate(20.0), (1, 0.0));
        assert_eq!(axis.locate(30.0), (1, 0.5));
    }
}
