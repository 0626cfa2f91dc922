//! Power curves with their bands, as a figure of a page: one drawing that needs no script.

use super::parts::{Column, folded, text};
use crate::operations::PowerReport;
use crate::operations::power::PowerCurve;
use crate::units::{fixed, plain};
use maud::{Markup, html};
use std::fmt::Write as _;

/// Size of the drawing and of the room for its scales.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 380.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 46.0;
/// The page's colours for series, and how their lines are broken: nothing is told by colour alone.
const COLOURS: [&str; 4] = ["var(--series-1)", "var(--series-0)", "var(--series-2)", "var(--series-3)"];
const DASHES: [&str; 4] = ["none", "8 4", "2 3", "10 3 2 3"];
/// At most so many marks on a scale.
const MARKS: f64 = 8.0;

/// The curves of a report over engine speed, with their bands and their numbers.
pub(super) fn power_figure(report: &PowerReport) -> Markup {
    let points = || report.curves.iter().flat_map(|curve| &curve.points);
    let (low, high) = points().fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(p.rpm), h.max(p.rpm)));
    let top = points().map(|p| p.power_kw + p.band_kw).fold(1.0, f64::max);
    if low >= high {
        return html! { p { "Too few points for a curve." } };
    }
    let x = |rpm: f64| LEFT + (rpm - low) / (high - low) * (WIDTH - LEFT - RIGHT);
    let y = |kw: f64| HEIGHT - BOTTOM - kw.max(0.0) / top * (HEIGHT - TOP - BOTTOM);
    let says = "Power over engine speed; the shaded bands are the uncertainty.";
    html! {
        figure.chart {
            figcaption { b { "Power." } " " (says) }
            svg viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(says)
                style="width:100%;max-width:46rem;height:auto" font-size="13" fill="currentColor" {
                @for rpm in marks(low, high) { (rule([x(rpm), TOP], [x(rpm), HEIGHT - BOTTOM])) }
                @for kw in marks(0.0, top) { (rule([LEFT, y(kw)], [WIDTH - RIGHT, y(kw)])) }
                @for rpm in marks(low, high) {
                    text x=(short(x(rpm))) y=(short(HEIGHT - BOTTOM + 18.0)) text-anchor="middle" { (plain(rpm)) }
                }
                @for kw in marks(0.0, top) {
                    text x=(short(LEFT - 8.0)) y=(short(y(kw) + 4.0)) text-anchor="end" { (plain(kw)) }
                }
                text x=(short((LEFT + WIDTH - RIGHT) / 2.0)) y=(short(HEIGHT - 8.0)) text-anchor="middle" { "engine speed, 1/min" }
                text x="0" y="0" text-anchor="middle" transform={ "translate(14 " (short((TOP + HEIGHT - BOTTOM) / 2.0)) ") rotate(-90)" } { "power, kW" }
                @for (i, curve) in report.curves.iter().enumerate() { (drawn(curve, i, &x, &y)) }
            }
            p.legend { @for (i, curve) in report.curves.iter().enumerate() { (legend(curve, i)) " " } }
            (numbers(report))
        }
    }
}

fn drawn(curve: &PowerCurve, i: usize, x: &dyn Fn(f64) -> f64, y: &dyn Fn(f64) -> f64) -> Markup {
    let path = |of: &mut dyn Iterator<Item = (f64, f64)>| {
        of.fold(String::new(), |mut path, (rpm, kw)| {
            let _ = write!(path, "{},{} ", short(x(rpm)), short(y(kw)));
            path
        })
    };
    let upper = curve.points.iter().map(|p| (p.rpm, p.power_kw + p.band_kw));
    let lower = curve.points.iter().rev().map(|p| (p.rpm, p.power_kw - p.band_kw));
    let band = path(&mut upper.chain(lower));
    let line = path(&mut curve.points.iter().map(|p| (p.rpm, p.power_kw)));
    let (colour, dash) = (COLOURS[i % COLOURS.len()], DASHES[i % DASHES.len()]);
    html! {
        g {
            title { (curve.file.display()) }
            polygon points=(band.trim_end()) style={ "fill:" (colour) } fill-opacity="0.18" {}
            polyline points=(line.trim_end()) style={ "stroke:" (colour) } stroke-width="2.5" fill="none" stroke-dasharray=(dash) {}
        }
    }
}

fn legend(curve: &PowerCurve, i: usize) -> Markup {
    let (colour, dash) = (COLOURS[i % COLOURS.len()], DASHES[i % DASHES.len()]);
    html! {
        span {
            svg width="36" height="10" aria-hidden="true" {
                line x1="0" y1="5" x2="36" y2="5" style={ "stroke:" (colour) } stroke-width="2.5" stroke-dasharray=(dash) {}
            }
            " " (curve.file.display()) ", " (fixed(curve.peak.power_kw, 1)) " ± " (fixed(curve.peak.band_kw, 1))
            " kW at " (plain(curve.peak.rpm)) " 1/min"
        }
    }
}

fn numbers(report: &PowerReport) -> Markup {
    let columns = [
        Column::Text("file"),
        Column::Number("1/min"),
        Column::Number("kW"),
        Column::Number("± kW"),
        Column::Number("Nm"),
        Column::Number("± Nm"),
    ];
    let rows = report.curves.iter().flat_map(|curve| {
        curve.points.iter().map(|p| {
            vec![
                text(curve.file.display().to_string()),
                text(plain(p.rpm)),
                text(fixed(p.power_kw, 1)),
                text(fixed(p.band_kw, 1)),
                text(fixed(p.torque_nm, 1)),
                text(fixed(p.band_nm, 1)),
            ]
        })
    });
    folded("The numbers", &columns, rows.collect())
}

/// A line of the scale.
fn rule([x1, y1]: [f64; 2], [x2, y2]: [f64; 2]) -> Markup {
    html! { line x1=(short(x1)) y1=(short(y1)) x2=(short(x2)) y2=(short(y2)) style="stroke:var(--rule)" stroke-width="0.7" {} }
}

/// Round numbers between two ends: a step of 1, 2 or 5 times a power of ten.
fn marks(low: f64, high: f64) -> Vec<f64> {
    let least = (high - low) / MARKS;
    let power = 10f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= least).unwrap_or(least);
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last).map(|k| k as f64 * step).collect()
}

/// Tenths are enough for a drawing.
fn short(value: f64) -> String {
    fixed(value, 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::PowerRequest;
    use crate::operations::power::power;

    /// Whether every tag that opens closes again, in order.
    fn is_well_formed(html: &str) -> bool {
        let mut open: Vec<&str> = Vec::new();
        for tag in html.split('<').skip(1) {
            let Some((tag, _)) = tag.split_once('>') else { return false };
            match tag.strip_prefix('/') {
                Some(name) => {
                    if open.pop() != Some(name) {
                        return false;
                    }
                }
                None => open.push(tag.split(' ').next().unwrap_or_default()),
            }
        }
        open.is_empty()
    }

    #[test]
    fn two_sheets_make_two_curves_with_bands_in_a_well_formed_drawing() {
        let folder = tempfile::tempdir().expect("a folder");
        let sheet = |name: &str, gain: f64| {
            let rows: String =
                (30..=80).map(|k| format!("{},{}\n", k * 100, gain * f64::from(k) * 0.6)).collect();
            let path = folder.path().join(name);
            std::fs::write(&path, format!("rpm,Wheel power [kW]\n{rows}")).expect("written");
            path
        };
        let files = vec![sheet("a <b> & \"c\".csv", 1.0), sheet("after.csv", 1.08)];
        let request = PowerRequest { files, step_rpm: 250.0, ..PowerRequest::default() };
        let report = power(folder.path(), &request).expect("curves");
        let html = power_figure(&report).into_string();
        assert!(is_well_formed(&html), "{html}");
        assert_eq!(html.matches("<polygon").count(), 2);
        assert_eq!(html.matches("<polyline").count(), 2);
        assert!(!html.contains("NaN") && !html.contains("<b> &"), "{html}");
        assert!(html.contains("a &lt;b&gt; &amp;"));
    }

    #[test]
    fn marks_are_round() {
        assert_eq!(marks(3000.0, 8000.0), [3000.0, 4000.0, 5000.0, 6000.0, 7000.0, 8000.0]);
        assert_eq!(marks(0.0, 43.7).last(), Some(&40.0));
    }
}
