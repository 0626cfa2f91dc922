//! `compare` from outside: before and after for the bike's owner, as text, as JSON and as a page.

use crate::bench::Bench;
use crate::browser::Browser;
use crate::pages::opens_everywhere;
use crate::power::sheet;

/// A bike with two runs and a build between them, and a dyno sheet of each side.
fn changed_bike() -> Bench {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0);
    bench.on_bike(&["build", "add", "sharper <cams> & springs"]).exits(0);
    bench.simulate(2, 12);
    bench.on_bike(&["run"]).exits(0);
    std::fs::write(bench.home().join("before.csv"), sheet(1.0)).expect("written");
    std::fs::write(bench.home().join("after.csv"), sheet(1.06)).expect("written");
    bench
}

#[test]
fn the_owner_s_page_tells_what_was_changed_the_maps_the_curves_the_rides_and_what_to_mind() {
    let bench = changed_bike();
    let files = ["--power", "before.csv", "--power", "after.csv"];
    let before = bench.snapshot();
    let told = bench.on_bike(&[&["--json", "compare"], &files[..]].concat()).exits(0).json();
    assert_eq!((&told["from"], &told["to"]), (&"r1".into(), &bench.newest().into()), "{told:#}");
    assert_eq!(told["builds"][0]["what"], "sharper <cams> & springs");
    assert_eq!(told["rides"].as_array().map(Vec::len), Some(2));
    let power =
        told["slots"].as_array().expect("slots").iter().find(|s| s["slot"] == "power").expect("power");
    // The figures are those of the tables themselves.
    let fuel = &power["tables"][0];
    assert_eq!(fuel["table"], "fuel");
    let cells = |side: &str| -> Vec<f64> {
        let cells = fuel[side]["values"].as_array().expect("cells");
        cells.iter().map(|v| v.as_f64().expect("a number")).collect()
    };
    let pct: Vec<f64> =
        cells("before").iter().zip(cells("after")).map(|(b, a)| (a / b - 1.0) * 100.0).collect();
    let changed = pct.iter().filter(|pct| **pct != 0.0).count();
    assert_eq!(power["fuel"]["changed"].as_u64(), Some(changed as u64));
    let [leanest, richest] =
        ["leanest_pct", "richest_pct"].map(|key| power["fuel"][key].as_f64().expect("a number"));
    assert!((leanest - pct.iter().copied().fold(0.0, f64::min)).abs() < 1e-9, "{leanest}");
    assert!((richest - pct.iter().copied().fold(0.0, f64::max)).abs() < 1e-9, "{richest}");
    assert!(changed > 20 && richest > 1.0, "{changed} {richest}");

    let said = bench.on_bike(&[&["compare"], &files[..]].concat()).exits(0);
    let said = said.says("sharper <cams> & springs").says("more than the uncertainty").says("2 rides");
    assert!(said.out.contains("8 to 10 % is what people expect"), "{}", said.out);
    bench.on_bike(&["compare"]).exits(0).says("no power was measured");

    let file = bench.home().join("owner.html");
    let name = file.to_str().expect("UTF-8");
    bench.on_bike(&[&["compare", "--html", name], &files[..]].concat()).exits(0).says("is written");
    let page = std::fs::read_to_string(&file).expect("written");
    for part in [
        "sharper &lt;cams&gt; &amp; springs",
        "Change of fuel, %, r1 to",
        "What to mind",
        "more than the uncertainty",
        "for the rules of your country",
        "r1/sim-1.csv",
    ] {
        assert!(page.contains(part), "no `{part}`");
    }
    assert!(!page.contains("<script") && page.contains("script-src 'none'") && page.len() < 400_000);
    assert_eq!(page.matches("<polygon").count(), 2);
    assert_eq!(bench.snapshot(), before, "it only looks");
    let Some(browser) = Browser::start() else { return };
    opens_everywhere(&browser, &file, "compare");
}

#[test]
fn points_in_the_wrong_order_and_files_without_power_end_with_what_to_do() {
    let bench = changed_bike();
    bench.on_bike(&["compare", "r2", "r1"]).exits(1).says("r1 is older than r2").says("the older one first");
    bench.on_bike(&["compare", "r2", "r2"]).exits(1).says("both before and after");
    bench.on_bike(&["compare", "r9"]).exits(1).says("there is no revision r9");
    bench.on_bike(&["compare", "--slot", "race"]).exits(1).says("has no slot `race`");
    bench.on_bike(&["compare", "--power", "nowhere.csv"]).exits(1).says("nowhere.csv");
    let file = bench.home().join("owner.html");
    let name = file.to_str().expect("UTF-8");
    bench.on_bike(&["compare", "r2", "r1", "--html", name]).exits(1);
    assert!(!file.exists());
    // Two slots against each other, and a bike that has one revision only.
    let told = bench.on_bike(&["--json", "compare", "r1:economy", "r2:power"]).exits(0).json();
    assert_eq!(told["slots"][0]["from_slot"], "economy", "{told:#}");
    let fresh = Bench::with_bike();
    fresh.on_bike(&["compare"]).exits(1).says("no revisions yet");
}
