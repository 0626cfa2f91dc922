//! The channels a ride may carry: the schema of every log.

/// A column the tool knows. Names and units are the contract's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs, reason = "the table below documents them")]
pub enum Channel {
    TimeS,
    Rpm,
    ThrottlePct,
    MapKpa,
    Lambda,
    Lambda2,
    LambdaTarget,
    EngineTempC,
    AirTempC,
    BaroKpa,
    TrimPct,
    PulseWidthMs,
    SparkDeg,
    KnockCount,
    FuelCut,
    Gear,
    SpeedKph,
    Slot,
    BatteryV,
}

impl Channel {
    /// All channels with their titles.
    pub const ALL: [(Channel, &'static str); 19] = [
        (Channel::TimeS, "time_s"),
        (Channel::Rpm, "rpm"),
        (Channel::ThrottlePct, "throttle_pct"),
        (Channel::MapKpa, "map_kpa"),
        (Channel::Lambda, "lambda"),
        (Channel::Lambda2, "lambda_2"),
        (Channel::LambdaTarget, "lambda_target"),
        (Channel::EngineTempC, "engine_temp_c"),
        (Channel::AirTempC, "air_temp_c"),
        (Channel::BaroKpa, "baro_kpa"),
        (Channel::TrimPct, "trim_pct"),
        (Channel::PulseWidthMs, "pulse_width_ms"),
        (Channel::SparkDeg, "spark_deg"),
        (Channel::KnockCount, "knock_count"),
        (Channel::FuelCut, "fuel_cut"),
        (Channel::Gear, "gear"),
        (Channel::SpeedKph, "speed_kph"),
        (Channel::Slot, "slot"),
        (Channel::BatteryV, "battery_v"),
    ];

    /// The title in a log.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].1
    }

    /// The channel of a title.
    pub fn from_title(title: &str) -> Option<Self> {
        let found = Self::ALL.iter().find(|(_, name)| name.eq_ignore_ascii_case(title));
        found.map(|(channel, _)| *channel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_stands_in_the_order_of_the_names() {
        for (i, (channel, name)) in Channel::ALL.iter().enumerate() {
            assert_eq!(*channel as usize, i);
            assert_eq!(Channel::from_title(name), Some(*channel));
        }
    }
}
