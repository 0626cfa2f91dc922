//! The stages, one file each, and their registry.
//!
//! To add one: write the file, add one line to the list below. Everything else
//! (documentation, schema, plan, tests over all stages) follows from it.

use super::stage::{Filter, Stage, StageEntry, entry};
use crate::yaml;
use std::path::Path;
use std::sync::LazyLock;

macro_rules! stages {
    ($($file:ident :: $settings:ident),* $(,)?) => {
        $(mod $file;)*

        /// Every stage, in the order of a usual pipeline.
        pub fn registry() -> Vec<StageEntry> {
            vec![$(entry::<$file::$settings>()),*]
        }
    };
}

pub(crate) use warm::TEMP_LASTS_S;

stages! {
    align::Align,
    lambda_valid::LambdaValid,
    warm::Warm,
    closed_loop::ClosedLoopTrim,
    overrun::Overrun,
    gear_shift::GearShift,
    rev_limiter::RevLimiter,
    launch::Launch,
    idle_hunting::IdleHunting,
    transients::Transients,
    steady::Steady,
    battery::Battery,
    window::Window,
    settling::Settling,
    average::Average,
    surface::Surface,
    blend::Blend,
}

/// A filter of that name with its usual settings; `None` when there is none.
pub fn usual_filter(name: &str) -> Option<&'static dyn Filter> {
    static USUAL: LazyLock<Vec<(&'static str, Box<dyn Filter>)>> = LazyLock::new(|| {
        let path = Path::new("(usual settings)");
        let usual = |entry: StageEntry| match (entry.build)(path, &yaml::parse(path, "{}").ok()?).ok()? {
            Stage::Filter(filter) => Some((entry.name, filter)),
            Stage::Estimate(_) | Stage::Blend(_) => None,
        };
        registry().into_iter().filter_map(usual).collect()
    });
    USUAL.iter().find(|(known, _)| *known == name).map(|(_, filter)| filter.as_ref())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::rows::tests::ride;
    use super::super::rows::{RideContext, Rows};
    use super::super::stage::StageKind;
    use super::*;
    use crate::bike::{Bike, FuelTableKind, SlotTables, Template};
    use crate::ride::{Channel, Ride};
    use crate::table::LoadAxis;

    pub(crate) fn bike() -> (Bike, SlotTables) {
        let template = Template {
            name: "Test".to_owned(),
            displacement_cc: 650.0,
            cylinders: 2,
            rev_limit_rpm: 9000.0,
            fuel: "E10".to_owned(),
            fuel_table: FuelTableKind::VePct,
            load: LoadAxis::ThrottlePct,
            injector_cc_min: None,
            slots: vec!["main".to_owned()],
            today: "2026-05-02".to_owned(),
            ..Template::default()
        };
        let files = template.files();
        let bike = Bike::parse(Path::new("bike.yaml"), &files[0].text).expect("a bike");
        let tables = SlotTables {
            fuel: template.fuel_table(),
            mixture: template.mixture_table(),
            spark: None,
            locks: Vec::new(),
        };
        (bike, tables)
    }

    /// Runs one stage, written as in a pipeline file, over a ride; the kept mask.
    pub(super) fn apply(
        settings: &str,
        ride: &Ride,
        change_bike: impl FnOnce(&mut Bike),
    ) -> (Vec<bool>, Vec<String>) {
        let (mut bike, tables) = bike();
        change_bike(&mut bike);
        let node = yaml::parse(Path::new("test"), settings).expect("YAML");
        let yaml::Value::List(items) = &node.value else { panic!("a list of one stage") };
        let yaml::Value::Map(entries) = &items[0].value else { panic!("a stage") };
        let entry = registry().into_iter().find(|e| e.name == entries[0].key).expect("known");
        let stage = (entry.build)(Path::new("test"), &entries[0].node).expect("valid settings");
        let Stage::Filter(filter) = stage else { panic!("a filter") };
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let mut rows = Rows::new(ride, bike.controller.load).expect("rpm, load and lambda");
        filter.apply(&mut rows, &context);
        let kept = (0..rows.len()).map(|i| rows.is_kept(i)).collect();
        let reasons: Vec<String> = rows.dropped().keys().map(|k| (*k).to_owned()).collect();
        for reason in &reasons {
            assert!(entry.reasons.iter().any(|r| r.key == reason), "{reason} is not documented");
        }
        (kept, reasons)
    }

    #[test]
    fn every_example_parses_and_every_stage_is_documented() {
        for entry in registry() {
            let node = yaml::parse(Path::new("example"), entry.example).expect("YAML");
            let yaml::Value::List(items) = &node.value else { panic!("{} example", entry.name) };
            let settings = items[0].get(entry.name).expect("its own name");
            (entry.build)(Path::new("example"), settings).expect(entry.name);
            assert!(!entry.about.is_empty() && !entry.source.is_empty());
            for setting in entry.settings() {
                assert!(!setting.about.is_empty(), "{}: {} has no documentation", entry.name, setting.name);
            }
            assert_eq!(entry.kind == StageKind::Filter, !entry.reasons.is_empty(), "{}", entry.name);
        }
    }

    #[test]
    fn reasons_are_named_once() {
        let registry = registry();
        let mut keys: Vec<&str> = registry.iter().flat_map(|e| e.reasons.iter().map(|r| r.key)).collect();
        let all = keys.len();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), all);
    }

    #[test]
    fn missing_and_single_samples_are_safe_for_every_filter() {
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        for n in [1, 2, 50] {
            let nothing = vec![f64::NAN; n];
            let channels: Vec<(Channel, Vec<f64>)> = Channel::ALL
                .iter()
                .filter(|(c, _)| !matches!(c, Channel::TimeS | Channel::Slot))
                .map(|(c, _)| (*c, nothing.clone()))
                .collect();
            let ride = ride(&channels);
            for entry in registry().into_iter().filter(|e| e.kind == StageKind::Filter) {
                let node = yaml::parse(Path::new("t"), "{}").expect("YAML");
                let Ok(Stage::Filter(filter)) = (entry.build)(Path::new("t"), &node) else {
                    panic!("{}", entry.name)
                };
                let mut rows = Rows::new(&ride, bike.controller.load).expect("channels are there");
                filter.apply(&mut rows, &context);
                assert_eq!(rows.len(), n, "{} invented or lost rows", entry.name);
                assert_eq!(rows.kept() + rows.dropped().values().sum::<usize>(), n);
            }
        }
    }
}
