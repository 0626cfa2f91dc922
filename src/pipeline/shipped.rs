//! The pipelines that are compiled in.

/// The pipeline a run uses when none is named.
pub const DEFAULT_PIPELINE: &str = "road";

/// Names and texts of the compiled-in pipelines.
pub const SHIPPED: [(&str, &str); 3] = [
    ("road", include_str!("../../pipelines/road.yaml")),
    ("dyno", include_str!("../../pipelines/dyno.yaml")),
    ("first-ride", include_str!("../../pipelines/first-ride.yaml")),
];

/// A compiled-in pipeline by name.
pub fn shipped(name: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(n, _)| *n == name).map(|(_, text)| *text)
}
