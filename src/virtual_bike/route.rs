//! Where the ride goes: a seeded chain of legs, dealt from decks of cards so that every ride of
//! some length has idle, stop-and-go, cruising, hills, overtaking, lugging and overrun in it.
//! All numbers here are invented to look like a normal day on the road.

use std::collections::VecDeque;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::RideStyle;

/// What the rider is trying to do for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Aim {
    /// Stand at the lights, clutch out.
    Stand,
    /// Reach and hold a speed.
    Speed { kph: f64, accel_m_s2: f64 },
    /// Hold the grip (or turn it slowly) until a speed is reached.
    Hold { throttle_pct: f64, ramp_pct_s: f64, until_kph: f64 },
    /// Close the grip, braking a little or much, down to a speed.
    Coast { until_kph: f64, brake_m_s2: f64 },
}

/// When the rider changes gear, as shares of the rev limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Habit {
    pub up_at: f64,
    pub down_at: f64,
}

pub const LAZY: Habit = Habit { up_at: 0.44, down_at: 0.24 };
pub const NORMAL: Habit = Habit { up_at: 0.58, down_at: 0.33 };
pub const LIVELY: Habit = Habit { up_at: 0.90, down_at: 0.53 };
/// Stays in a high gear, whatever comes.
pub const LUGGING: Habit = Habit { up_at: 0.62, down_at: 0.175 };

/// One leg of the ride.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leg {
    pub aim: Aim,
    /// Longest time spent on it, s.
    pub seconds: f64,
    pub habit: Habit,
    /// Slope of the road, rise over run.
    pub grade: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Card {
    Cruise,
    Climb,
    Descent,
    Bends,
    Overtake,
    Lug,
    LowGear,
    Sweep,
}

const ROAD_DECK: &[Card] = &[
    Card::Cruise,
    Card::Cruise,
    Card::Climb,
    Card::Descent,
    Card::Bends,
    Card::Bends,
    Card::Overtake,
    Card::Overtake,
    Card::Lug,
    Card::Lug,
    Card::LowGear,
    Card::Sweep,
];
const SPIRITED_DECK: &[Card] = &[
    Card::Cruise,
    Card::Climb,
    Card::Bends,
    Card::Bends,
    Card::Bends,
    Card::Overtake,
    Card::Overtake,
    Card::Overtake,
    Card::Lug,
    Card::LowGear,
    Card::LowGear,
    Card::Sweep,
];

#[derive(Debug, Clone, Copy)]
enum Phase {
    City,
    Country,
    Fast,
}

const ROAD_PHASES: &[Phase] =
    &[Phase::City, Phase::Country, Phase::Fast, Phase::Country, Phase::City, Phase::Country];
const SPIRITED_PHASES: &[Phase] = &[Phase::Country, Phase::Fast, Phase::City, Phase::Country, Phase::Country];
const CARDS_PER_COUNTRY_PHASE: usize = 6;

/// The chain of legs; never ends.
#[derive(Debug, Clone)]
pub struct Route {
    rng: ChaCha8Rng,
    style: RideStyle,
    cap_kph: f64,
    legs: VecDeque<Leg>,
    deck: Vec<Card>,
    phase: usize,
}

impl Route {
    /// A route for a bike of a given top speed. Units: km/h.
    #[must_use]
    pub fn new(style: RideStyle, top_kph: f64, cold: bool, mut rng: ChaCha8Rng) -> Self {
        let cap_kph = match style {
            RideStyle::Spirited => (0.85 * top_kph).min(165.0),
            RideStyle::Road | RideStyle::Dyno => (0.75 * top_kph).min(138.0),
        };
        let first = if cold { 25.0 } else { 12.0 } + 15.0 * rng.random::<f64>();
        let mut route = Self { rng, style, cap_kph, legs: VecDeque::new(), deck: Vec::new(), phase: 0 };
        route.push(Aim::Stand, first, NORMAL, 0.0);
        route.city_block();
        route
    }

    /// The next leg.
    pub fn next_leg(&mut self) -> Leg {
        loop {
            if let Some(leg) = self.legs.pop_front() {
                return leg;
            }
            let phases = match self.style {
                RideStyle::Spirited => SPIRITED_PHASES,
                RideStyle::Road | RideStyle::Dyno => ROAD_PHASES,
            };
            match phases[self.phase % phases.len()] {
                Phase::City => {
                    self.city_block();
                    self.city_block();
                }
                Phase::Country => {
                    for _ in 0..CARDS_PER_COUNTRY_PHASE {
                        let card = self.deal();
                        self.play(card);
                    }
                }
                Phase::Fast => self.fast_road(),
            }
            self.phase += 1;
        }
    }

    fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.rng.random::<f64>()
    }

    fn push(&mut self, aim: Aim, seconds: f64, habit: Habit, grade: f64) {
        self.legs.push_back(Leg { aim, seconds, habit, grade });
    }

    fn speed(&mut self, low: f64, high: f64, seconds: (f64, f64), habit: Habit, grade: f64) {
        let kph = self.within(low, high).min(self.cap_kph);
        let accel_m_s2 = match self.style {
            RideStyle::Spirited => self.within(1.5, 3.5),
            RideStyle::Road | RideStyle::Dyno => self.within(0.8, 2.2),
        };
        let seconds = self.within(seconds.0, seconds.1);
        self.push(Aim::Speed { kph, accel_m_s2 }, seconds, habit, grade);
    }

    fn coast(&mut self, low: f64, high: f64, brake: (f64, f64), habit: Habit) {
        let until_kph = self.within(low, high);
        let brake_m_s2 = self.within(brake.0, brake.1).max(0.0);
        self.push(Aim::Coast { until_kph, brake_m_s2 }, 20.0, habit, 0.0);
    }

    fn hold(&mut self, throttle: (f64, f64), ramp: (f64, f64), until: (f64, f64), habit: Habit, grade: f64) {
        let throttle_pct = self.within(throttle.0, throttle.1).min(100.0);
        let ramp_pct_s = self.within(ramp.0, ramp.1);
        let until_kph = self.within(until.0, until.1).min(self.cap_kph);
        self.push(Aim::Hold { throttle_pct, ramp_pct_s, until_kph }, 25.0, habit, grade);
    }

    fn deal(&mut self) -> Card {
        if self.deck.is_empty() {
            self.deck = match self.style {
                RideStyle::Spirited => SPIRITED_DECK.to_vec(),
                RideStyle::Road | RideStyle::Dyno => ROAD_DECK.to_vec(),
            };
            for k in (1..self.deck.len()).rev() {
                let j = self.rng.random_range(0..=k);
                self.deck.swap(k, j);
            }
        }
        self.deck.pop().unwrap_or(Card::Cruise)
    }

    fn city_block(&mut self) {
        let habit = if self.rng.random::<f64>() < 0.5 { LAZY } else { NORMAL };
        for _ in 0..2 {
            self.speed(42.0, 58.0, (10.0, 24.0), habit, 0.0);
            self.coast(16.0, 32.0, (0.0, 1.0), habit);
        }
        self.speed(38.0, 62.0, (8.0, 20.0), habit, 0.0);
        self.coast(0.0, 0.0, (0.6, 1.8), habit);
        let seconds = self.within(6.0, 26.0);
        self.push(Aim::Stand, seconds, habit, 0.0);
    }

    fn play(&mut self, card: Card) {
        match card {
            Card::Cruise => {
                let habit = if self.rng.random::<f64>() < 0.4 { LAZY } else { NORMAL };
                let grade = self.within(-0.015, 0.02);
                self.speed(62.0, 105.0, (14.0, 28.0), habit, grade);
                self.speed(62.0, 105.0, (10.0, 20.0), habit, -grade);
            }
            Card::Climb => {
                let grade = self.within(0.05, 0.10);
                let habit = if self.rng.random::<f64>() < 0.6 { LAZY } else { NORMAL };
                self.speed(55.0, 95.0, (16.0, 30.0), habit, grade);
            }
            Card::Descent => {
                let grade = -self.within(0.04, 0.09);
                self.speed(55.0, 85.0, (10.0, 18.0), NORMAL, grade);
                self.coast(45.0, 60.0, (0.0, 0.8), LIVELY);
            }
            Card::Bends => {
                for _ in 0..3 {
                    self.coast(45.0, 66.0, (0.2, 2.0), NORMAL);
                    self.speed(45.0, 66.0, (2.0, 5.0), NORMAL, 0.0);
                    let habit = if self.rng.random::<f64>() < 0.6 { NORMAL } else { LIVELY };
                    self.hold((12.0, 62.0), (0.0, 0.0), (82.0, 105.0), habit, 0.0);
                }
            }
            Card::Overtake => {
                self.speed(60.0, 80.0, (4.0, 8.0), NORMAL, 0.0);
                self.hold((58.0, 108.0), (0.0, 0.0), (118.0, 140.0), LIVELY, 0.01);
                self.speed(85.0, 105.0, (6.0, 12.0), NORMAL, 0.0);
            }
            Card::Lug => {
                for _ in 0..2 {
                    self.coast(36.0, 48.0, (0.0, 1.2), LUGGING);
                    self.speed(40.0, 50.0, (4.0, 7.0), LAZY, 0.0);
                    let grade = self.within(0.0, 0.06);
                    self.hold((14.0, 85.0), (0.0, 0.0), (78.0, 105.0), LUGGING, grade);
                }
            }
            Card::LowGear => {
                let grade = self.within(-0.02, 0.05);
                self.speed(50.0, 90.0, (8.0, 15.0), LIVELY, grade);
                self.speed(65.0, 110.0, (8.0, 15.0), LIVELY, -grade);
                self.coast(45.0, 60.0, (0.0, 0.5), LIVELY);
            }
            Card::Sweep => {
                self.speed(45.0, 60.0, (3.0, 5.0), LAZY, 0.0);
                let grade = self.within(0.02, 0.08);
                self.hold((3.0, 8.0), (1.5, 4.0), (110.0, 135.0), LUGGING, grade);
            }
        }
    }

    fn fast_road(&mut self) {
        self.speed(45.0, 60.0, (3.0, 6.0), NORMAL, 0.0);
        self.hold((45.0, 105.0), (0.0, 0.0), (112.0, 132.0), LIVELY, 0.02);
        for _ in 0..4 {
            let grade = self.within(-0.03, 0.045);
            self.speed(98.0, 136.0, (14.0, 26.0), NORMAL, grade);
        }
        self.coast(60.0, 80.0, (0.0, 0.6), NORMAL);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    #[test]
    fn every_aim_is_dealt_and_speeds_stay_below_the_cap() {
        let rng = ChaCha8Rng::seed_from_u64(5);
        let mut route = Route::new(RideStyle::Road, 120.0, false, rng);
        let mut seen = [false; 4];
        for _ in 0..200 {
            let leg = route.next_leg();
            assert!(leg.seconds > 0.0 && leg.grade.abs() < 0.12);
            match leg.aim {
                Aim::Stand => seen[0] = true,
                Aim::Speed { kph, .. } => {
                    seen[1] = true;
                    assert!(kph <= 90.0);
                }
                Aim::Hold { until_kph, .. } => {
                    seen[2] = true;
                    assert!(until_kph <= 90.0);
                }
                Aim::Coast { .. } => seen[3] = true,
            }
        }
        assert_eq!(seen, [true; 4]);
    }
}
