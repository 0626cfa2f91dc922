//! The results as text and as Markdown.

use crate::BikeResult;
use crate::judge::{Figures, Share};
use crate::methods::{CAREFUL, Method, ORACLE, SPREADSHEET};

/// A bike should start this far off, RMS in %.
const START_RMS: std::ops::RangeInclusive<f64> = 5.0..=16.0;

const LEGEND: &str = "\
RMS, q95: lambda error in % that the engine would feel on the judge's ride, over its warm time
within: share of that time within 1, 2 and 3 %; lean: leanest ridden point at high load, %
cells: RMS in % over resolvable cells against the least-squares table of the truth
worse: share of touched cells that are now over 1 % further off than in the start map
lean cells: resolvable high-load cells over 1 % leaner than the truth, and the leanest (in brackets: of all)
2 SE: share of resolvable cells whose truth lies within two reported standard errors
no limits: RMS if every cell held what its evidence asks for, without the limits of the blend";

/// The last figures of each season.
fn last(result: &BikeResult, method: usize) -> &Figures {
    result.seasons[method].last().expect("at least the start")
}

/// How often a guard refused the method's step.
fn refused(result: &BikeResult, method: usize) -> usize {
    result.seasons[method].iter().filter(|f| f.refused).count()
}

pub fn text(methods: &[Method], results: &[BikeResult], detail: bool) {
    println!("{LEGEND}");
    for result in results {
        println!(
            "\n{}. {}: best table RMS {:.2}; {} of {} cells resolvable; {:.1} % of the time off the table",
            result.number,
            result.name,
            result.best_rms,
            result.resolvable,
            result.cells,
            result.off_the_table_pct
        );
        if result.governed_pct > 0.0 {
            println!(
                "   {:.0} % of the time is governed by the unlogged loop and not counted (its RMS: `loop`)",
                result.governed_pct
            );
        }
        let start = result.seasons[0][0].felt.rms;
        if !START_RMS.contains(&start) {
            println!("   WARNING: starts at {start:.1} %, should be {START_RMS:?}");
        }
        println!(
            "   {:<24} RMS: start, after ride 1 to 4     q95    within 1/2/3     lean   cells  worse  lean cells            2 SE  no limits",
            ""
        );
        for (i, method) in methods.iter().enumerate() {
            let path: Vec<String> =
                result.seasons[i].iter().map(|f| format!("{:>5.2}", f.felt.rms)).collect();
            let refused = refused(result, i);
            let note = if refused > 0 { format!("  refused {refused} times") } else { String::new() };
            println!("   {:<24} {}   {}{note}", method.name, path.join(" "), line(last(result, i)));
            if detail {
                for (ride, figures) in result.seasons[i].iter().enumerate() {
                    println!("   {:>24} {:>29}   {}", ride, "", line(figures));
                }
            }
        }
    }
    println!("\nmedians over {} bikes after the fourth ride", results.len());
    println!(
        "   {:<24} {:>6} {:>9} {:>13} {:>10} {:>9} {:>9} {:>10}",
        "", "RMS", "x oracle", "x spreadsheet", "x careful", "within 1", "cells", "no limits"
    );
    for (i, method) in methods.iter().enumerate() {
        println!(
            "   {:<24} {:>6.2} {:>9.2} {:>13.2} {:>10.2} {:>7.0} % {:>9.2} {:>10}",
            method.name,
            rms(results, i),
            ratio(methods, results, i, ORACLE),
            ratio(methods, results, i, SPREADSHEET),
            ratio(methods, results, i, CAREFUL),
            median(results.iter().map(|r| last(r, i).felt.within[0])),
            median(results.iter().map(|r| last(r, i).cells.rms)),
            unlimited(results, i).map_or("–".to_owned(), |rms| format!("{rms:.2}")),
        );
    }
    println!("   best table on these axes {:>6.2}", median(results.iter().map(|r| r.best_rms)));
    println!("\ntargets");
    for (i, method) in methods.iter().enumerate().filter(|(_, m)| m.is_ours()) {
        println!("   {}", method.name);
        for target in targets(methods, results, i) {
            println!("      {:<72} {:<34} {}", target.what, target.measured, target.verdict());
        }
    }
}

fn line(figures: &Figures) -> String {
    let (felt, cells) = (&figures.felt, &figures.cells);
    let lean = |worst: Option<f64>| worst.map_or("    –".to_owned(), |worst| format!("{worst:>5.1}"));
    let honest =
        if cells.honest.of > 0 { format!("{:>3.0} %", cells.honest.pct()) } else { "    –".to_owned() };
    let unlimited = figures.unlimited_rms.map_or("    –".to_owned(), |rms| format!("{rms:>5.2}"));
    let governed = figures.governed_rms.map_or(String::new(), |rms| format!("  loop {rms:>5.2}"));
    format!(
        "{:>6.2}  {:>3.0} {:>3.0} {:>3.0} %  {:>6}  {:>6.2}  {:>3.0} %  {:>2}, {} ({:>2}, {})  {honest}  {unlimited}{governed}",
        felt.q95,
        felt.within[0],
        felt.within[1],
        felt.within[2],
        lean(felt.worst_lean),
        cells.rms,
        cells.worse.pct(),
        cells.lean.n,
        lean(cells.lean.worst),
        cells.lean_anywhere.n,
        lean(cells.lean_anywhere.worst),
    )
}

/// A stated target and how the method stands.
struct Target {
    what: &'static str,
    measured: String,
    met: bool,
}

impl Target {
    fn verdict(&self) -> &'static str {
        if self.met { "met" } else { "missed" }
    }
}

fn targets(methods: &[Method], results: &[BikeResult], method: usize) -> Vec<Target> {
    let bikes = results.len();
    let on = |good: &dyn Fn(&Figures) -> bool| results.iter().filter(|r| good(last(r, method))).count();
    let against = |what, other: &str, limit: f64| {
        let ratio = ratio(methods, results, method, other);
        Target { what, measured: format!("{ratio:.2}"), met: ratio <= limit }
    };
    let within = median(results.iter().map(|r| last(r, method).felt.within[0]));
    let within_on = on(&|f| f.felt.within[0] >= 90.0);
    let lean: usize = results.iter().map(|r| last(r, method).cells.lean.n).sum();
    let leanest = results.iter().filter_map(|r| last(r, method).cells.lean.worst).max_by(f64::total_cmp);
    let lean_on = on(&|f| f.cells.lean.n > 0);
    let pooled = |share: &dyn Fn(&Figures) -> Share| {
        results.iter().map(|r| share(last(r, method))).fold(Share::default(), Share::plus)
    };
    let worse = pooled(&|f| f.cells.worse).pct();
    let worse_on = on(&|f| f.cells.worse.pct() <= 2.0);
    let honest = pooled(&|f| f.cells.honest).pct();
    let honest_on = on(&|f| (90.0..=98.0).contains(&f.cells.honest.pct()));
    vec![
        against("RMS at most 1.5 times the oracle's (medians)", ORACLE, 1.5),
        against("RMS at most a third of the spreadsheet's (medians)", SPREADSHEET, 1.0 / 3.0),
        against("RMS at most half of the careful script's (medians)", CAREFUL, 0.5),
        Target {
            what: "90 % of ridden points within 1 % (median over bikes)",
            measured: format!("{within:.0} %; so on {within_on} of {bikes} bikes"),
            met: within >= 90.0,
        },
        Target {
            what: "no resolvable high-load cell leaner than the truth by over 1 %",
            measured: format!("{lean} on {lean_on} bikes, leanest {:.1} %", leanest.unwrap_or_default()),
            met: lean == 0,
        },
        Target {
            what: "at most 2 % of touched cells made worse by over 1 % (all bikes together)",
            measured: format!("{worse:.1} %; so on {worse_on} of {bikes} bikes"),
            met: worse <= 2.0,
        },
        Target {
            what: "90 to 98 % of resolvable cells within two standard errors (all together)",
            measured: format!("{honest:.0} %; so on {honest_on} of {bikes} bikes"),
            met: (90.0..=98.0).contains(&honest),
        },
    ]
}

pub fn markdown(methods: &[Method], results: &[BikeResult]) {
    println!(
        "| after the fourth ride, medians over {} bikes | RMS | against the oracle | against the spreadsheet | against the careful script | within 1 % | resolvable cells, RMS | RMS without the limits |",
        results.len()
    );
    println!("|---|---|---|---|---|---|---|---|");
    for (i, method) in methods.iter().enumerate() {
        println!(
            "| {} | {:.2} % | {:.1} | {:.2} | {:.2} | {:.0} % | {:.2} % | {} |",
            method.name,
            rms(results, i),
            ratio(methods, results, i, ORACLE),
            ratio(methods, results, i, SPREADSHEET),
            ratio(methods, results, i, CAREFUL),
            median(results.iter().map(|r| last(r, i).felt.within[0])),
            median(results.iter().map(|r| last(r, i).cells.rms)),
            unlimited(results, i).map_or(String::new(), |rms| format!("{rms:.2} %")),
        );
    }
    println!("\nMain figure, RMS in %, bike by bike:\n");
    let names: Vec<&str> = methods.iter().map(|m| m.name.as_str()).collect();
    println!("| bike | start | {} | best table |", names.join(" | "));
    println!("|---|---|{}---|", "---|".repeat(methods.len()));
    for result in results {
        let row: Vec<String> =
            (0..methods.len()).map(|i| format!("{:.2}", last(result, i).felt.rms)).collect();
        println!(
            "| {}. {} | {:.1} | {} | {:.2} |",
            result.number,
            result.name,
            result.seasons[0][0].felt.rms,
            row.join(" | "),
            result.best_rms
        );
    }
    let told = |m: &Method| m.is_ours() && !m.name.starts_with("road: ");
    for (i, method) in methods.iter().enumerate().filter(|(_, m)| told(m)) {
        println!("\n`{}`, bike by bike:\n", method.name);
        println!(
            "| bike | q95 | within 1/2/3 % | leanest ridden high-load point | resolvable cells, RMS | made worse | lean high-load cells | within 2 SE | runs refused |"
        );
        println!("|---|---|---|---|---|---|---|---|---|");
        for result in results {
            let (felt, cells) = (&last(result, i).felt, &last(result, i).cells);
            println!(
                "| {} | {:.2} % | {:.0}/{:.0}/{:.0} % | {:.1} % | {:.2} % | {} of {} | {} | {:.0} % | {} |",
                result.number,
                felt.q95,
                felt.within[0],
                felt.within[1],
                felt.within[2],
                felt.worst_lean.unwrap_or(f64::NAN),
                cells.rms,
                cells.worse.n,
                cells.worse.of,
                cells.lean.n,
                cells.honest.pct(),
                refused(result, i)
            );
        }
        println!("\n| target | measured | |\n|---|---|---|");
        for target in targets(methods, results, i) {
            println!("| {} | {} | {} |", target.what, target.measured, target.verdict());
        }
    }
}

fn rms(results: &[BikeResult], method: usize) -> f64 {
    median(results.iter().map(|r| last(r, method).felt.rms))
}

/// The median RMS without the limits of the blend; only for methods with evidence.
fn unlimited(results: &[BikeResult], method: usize) -> Option<f64> {
    let figures: Option<Vec<f64>> = results.iter().map(|r| last(r, method).unlimited_rms).collect();
    figures.map(|figures| median(figures.into_iter()))
}

/// The median of a method over that of another.
fn ratio(methods: &[Method], results: &[BikeResult], method: usize, other: &str) -> f64 {
    let other = methods.iter().position(|m| m.name == other);
    other.map_or(f64::NAN, |other| rms(results, method) / rms(results, other))
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => f64::NAN,
        n => (sorted[(n - 1) / 2] + sorted[n / 2]) / 2.0,
    }
}
