//! What two channels tell of each other: a manifold that empties when the throttle closes, an
//! engine that warms up from the air around.
//!
//! Chosen columns enter; reasons, and doubts, leave.

use super::column::Column;
use crate::ride::Channel;
use crate::statistics::Moments;

/// What the pair says.
pub(super) struct Relation {
    pub channel: Channel,
    pub words: String,
    /// It speaks against the choice.
    pub is_doubt: bool,
}

/// Looks at the pairs that an engine ties together.
pub(super) fn find(chosen: &[(Channel, Vec<&Column>)]) -> Vec<Relation> {
    let of = |channel: Channel| {
        let found = chosen.iter().find(|(of, _)| *of == channel);
        found.and_then(|(_, columns)| columns.first().copied())
    };
    let mut relations = Vec::new();
    if let (Some(throttle), Some(map)) = (of(Channel::ThrottlePct), of(Channel::MapKpa)) {
        relations.extend(throttle_and_map(throttle, map));
    }
    if let Some(engine) = of(Channel::EngineTempC) {
        relations.extend(warm_up(engine));
    }
    relations
}

fn throttle_and_map(throttle: &Column, map: &Column) -> Option<Relation> {
    /// A butterfly throttle shows well above, a Diesel's flap or a pedal of another scale below.
    const TIED: f64 = 0.3;
    let r = correlation(&throttle.beside(map))?;
    let shown = crate::units::fixed(r, 2);
    Some(if r > TIED {
        let words = format!("the manifold pressure falls when it closes (correlation {shown})");
        Relation { channel: Channel::ThrottlePct, words, is_doubt: false }
    } else {
        let words = format!(
            "but the manifold pressure does not fall when it closes (correlation {shown}): another flap, a pedal, or a Diesel"
        );
        Relation { channel: Channel::ThrottlePct, words, is_doubt: true }
    })
}

fn warm_up(engine: &Column) -> Option<Relation> {
    const RISES: f64 = 15.0;
    /// Warming up, an engine seldom cools.
    const MOSTLY: f64 = 0.9;
    let mut values = engine.points().map(|(_, value)| value);
    let first = values.next()?;
    let high = engine.spread.as_ref()?.high;
    let mut last = first;
    let (mut ups, mut downs) = (0.0, 0.0);
    for value in values.take_while(|value| *value < high) {
        let step = value - last;
        if step >= 0.0 {
            ups += step
        } else {
            downs -= step
        }
        last = value;
    }
    let is_rise = high - first > RISES && ups > MOSTLY * (ups + downs);
    is_rise.then(|| Relation {
        channel: Channel::EngineTempC,
        words: format!("it rises from {} to {high} as an engine that warms up", crate::units::plain(first)),
        is_doubt: false,
    })
}

/// Pearson's correlation; none where one of the two never moves.
fn correlation(pairs: &[(f64, f64)]) -> Option<f64> {
    const ENOUGH: usize = 20;
    if pairs.len() < ENOUGH {
        return None;
    }
    Moments::of(pairs)?.correlation()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn correlation_is_that_of_pearson() {
        let line: Vec<(f64, f64)> = (0..30).map(|i| (f64::from(i), 5.0 - 2.0 * f64::from(i))).collect();
        assert!((correlation(&line).expect("moves") + 1.0).abs() < 1e-12);
        assert_eq!(correlation(&[(1.0, 2.0); 30]), None);
    }
}
