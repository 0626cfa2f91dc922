//! The pages in a browser: on a phone and a desk, in light and dark, by pointer and
//! by keyboard, and what they say without a script.
//!
//! `RIDELOOP_SCREENSHOTS=DIR` keeps the pages with pictures of them.

use crate::bench::Bench;
use crate::browser::Browser;
use crate::season_fixture::{HOSTILE, Size, season};
use rideloop::operations::season::ConvergenceState;
use rideloop::report::page::{self, PageContext};
use serde_json::json;
use std::path::{Path, PathBuf};

const CONTEXT: PageContext<'_> = PageContext { made: "2026-05-02", tool: "rideloop 0.1.0" };
const PHONE: (u32, u32) = (390, 844);
const DESK: (u32, u32) = (1280, 900);

/// What a page may weigh with the longest season.
const MOST_BYTES: usize = 3_000_000;

pub(crate) fn keep(name: &str, bytes: &[u8]) {
    if let Some(folder) = std::env::var_os("RIDELOOP_SCREENSHOTS").map(PathBuf::from) {
        std::fs::create_dir_all(&folder).expect("made");
        std::fs::write(folder.join(name), bytes).expect("written");
    }
}

/// Opens a page in every size and scheme; each time it must be quiet and fit.
pub(crate) fn opens_everywhere(browser: &Browser, page: &Path, name: &str) {
    for (device, (width, height)) in [("phone", PHONE), ("desk", DESK)] {
        for scheme in ["light", "dark"] {
            browser.emulate(width, height, scheme);
            browser.open(page);
            let what = format!("{name}-{device}-{scheme}");
            browser.wait(
                "[...document.querySelectorAll('.plot.js-only')].every(p => p.querySelector('.main-svg'))",
            );
            let too_wide = "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1 \
                && !e.closest('.scroll, pre, .plot, .surface, aside, .skip')).map(e => e.outerHTML.slice(0, 120))";
            assert_eq!(browser.eval(too_wide), json!([]), "{what}");
            let widths = browser.eval("[document.documentElement.scrollWidth, innerWidth]");
            assert_eq!(widths[0], widths[1], "{what}: the page scrolls sideways");
            let nameless = "[...document.querySelectorAll('button, input, summary, a')].filter(e => \
                !(e.getAttribute('aria-label') || e.textContent.trim() || e.closest('label')?.textContent.trim())).length";
            assert_eq!(browser.eval(nameless), json!(0), "{what}: a control without a name");
            let ground = browser.text("getComputedStyle(document.body).backgroundColor");
            let level: u32 =
                ground.trim_start_matches("rgb(").split(',').next().expect("red").parse().expect("a level");
            assert_eq!(level < 128, scheme == "dark", "{what}: {ground}");
            if std::env::var_os("RIDELOOP_SCREENSHOTS").is_some() {
                browser.wait("[...document.querySelectorAll('.surface')].every(s => s.hidden || s.querySelector('canvas'))");
                std::thread::sleep(std::time::Duration::from_millis(1500));
                keep(&format!("{what}.png"), &browser.picture(true));
            }
            assert_eq!(browser.complaints(page), Vec::<String>::new(), "{what}");
        }
    }
    let paper = browser.paper();
    assert!(paper.starts_with(b"%PDF"), "{name}");
    keep(&format!("{name}-paper.pdf"), &paper);
    assert_eq!(browser.complaints(page), Vec::<String>::new(), "{name} on paper");
}

#[test]
fn a_revision_s_page_is_written_and_read() {
    let bench = Bench::with_bike();
    bench.simulate(1, 15);
    bench.on_bike(&["run"]).exits(0);
    let file = bench.home().join("r2.html");
    let name = file.to_str().expect("UTF-8");
    bench.on_bike(&["show", "--html", name]).exits(0).says("r2.html is written");
    bench.on_bike(&["show", "r1", "--html", name]).exits(0);
    let start = std::fs::read_to_string(&file).expect("written");
    assert!(start.contains("<title>") && start.contains(": r1</title>") && !start.contains("What is known"));
    let said = bench.on_bike(&["--json", "show", "r2", "--html", name]).exits(0).json();
    let text = std::fs::read_to_string(&file).expect("written");
    assert_eq!(said["bytes"].as_u64(), Some(text.len() as u64));
    // What the terminal tells stands in the page, scripts or not.
    let shown = bench.on_bike(&["--json", "show", "r2"]).exits(0).json();
    for part in [
        "Fuel (VE, %)",
        "Mixture (wanted lambda)",
        "What is known",
        "Pipeline",
        "Change of fuel, %, r1 to r2",
    ] {
        assert!(text.contains(part), "no `{part}`");
    }
    for ride in shown["rides"].as_array().expect("rides") {
        assert!(text.contains(ride["sha256"].as_str().expect("a hash")));
    }
    // A page that cannot be made leaves no file, and the one before as it was.
    bench.on_bike(&["show", "r9", "--html", name]).exits(1).says("there is no revision r9");
    assert_eq!(std::fs::read_to_string(&file).expect("still there"), text);
    bench.on_bike(&["show", "--html", "no/such/folder.html"]).exits(1).says("could not write");
    bench.on_bike(&["show", "--html", bench.home().to_str().expect("UTF-8")]).exits(1).says("is a folder");
    let left = std::fs::read_dir(bench.home()).expect("listed").flatten();
    assert!(left.map(|e| e.file_name()).all(|n| !n.to_string_lossy().starts_with(".page-")));
    keep("show.html", text.as_bytes());

    let Some(browser) = Browser::start() else { return };
    opens_everywhere(&browser, &file, "show");
    browser.emulate(DESK.0, DESK.1, "light");
    browser.open(&file);
    let cells = shown["evidence"][0]["cells"].as_array().expect("cells");
    let known = cells.iter().position(|c| c["required"].is_number()).expect("a cell with evidence");
    browser.eval(&format!("document.querySelectorAll('figure.heat table[data-slot] td')[{known}].click()"));
    let told = browser.text("document.getElementById('panel').textContent");
    let asked = format!("{:.2} ±", cells[known]["required"].as_f64().expect("a number"));
    assert!(told.contains(&asked), "no `{asked}` in {told}");
    assert_eq!(browser.complaints(&file), Vec::<String>::new());
}

#[test]
fn what_a_person_typed_stays_text_and_nothing_needs_a_script_to_be_read() {
    let report = season(&Size::SMALL);
    let text = page::season(&report, &CONTEXT);
    assert!(!text.contains(HOSTILE) && !text.contains("<script>alert"));
    // The data, the chart library, our own script; none of the reasons.
    assert_eq!(text.matches("<script").count(), 3);
    assert_eq!(text.matches("</script").count(), 3);
    let typed = "&lt;script&gt;alert(1)&lt;/script&gt;&lt;!-- &quot;'&amp;";
    for place in [
        format!("<td>{typed}</td>"),
        format!("<p>why: {typed}</p>"),
        format!("r1/{typed}.csv"),
        format!("set aside: {typed}"),
        format!("locked: idle is set by hand {typed}"),
    ] {
        assert!(text.contains(&place), "no `{place}`");
    }
    let before_scripts = text.split("<script").next().expect("a body");
    for entry in &report.revisions {
        assert!(before_scripts.contains(&entry.commit[..10]), "{} is not in the audit", entry.revision);
    }
    for slot in &report.slots {
        for cell in &slot.cells {
            assert!(before_scripts.contains(&format!(">{:.1}<", cell.now)), "{} {}", cell.rpm, cell.load);
        }
    }
}

#[test]
fn a_bike_without_revisions_has_a_page_of_its_tables() {
    let mut report = season(&Size::SMALL);
    report.revisions.clear();
    report.rides.clear();
    report.warnings.clear();
    report.builds.clear();
    (report.samples, report.kept) = (0, 0);
    for slot in &mut report.slots {
        slot.steps.clear();
        slot.start_revision.clear();
        slot.newest_revision.clear();
        slot.convergence.state = ConvergenceState::NoRun;
        (slot.convergence.first_error_pct, slot.convergence.newest_error_pct) = (None, None);
        for cell in &mut slot.cells {
            (cell.change_pct, cell.travel_pct, cell.turns, cell.evidence) = (0.0, 0.0, 0, None);
        }
    }
    let text = page::season(&report, &CONTEXT);
    let body = text.split("<script").next().expect("a body");
    assert!(
        body.contains("No revision yet")
            && body.contains("No ride yet")
            && body.contains("No run on this build yet")
    );
    assert!(!body.contains("class=\"explorer") && !body.contains("data-slot=\""));
    let Some(browser) = Browser::start() else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("empty.html");
    std::fs::write(&file, &text).expect("written");
    browser.emulate(PHONE.0, PHONE.1, "light");
    browser.open(&file);
    browser.eval("document.querySelector('figure.heat td').click()");
    assert_eq!(browser.complaints(&file), Vec::<String>::new());
}

#[test]
fn a_season_of_five_hundred_revisions_fits_and_says_what_it_left_out() {
    let report = season(&Size::LARGE);
    let text = page::season(&report, &CONTEXT);
    let mut one = report.clone();
    one.slots.truncate(1);
    let one = page::season(&one, &CONTEXT).len();
    eprintln!("500 revisions of 24 x 24 cells: {one} bytes; with a second slot: {} bytes", text.len());
    keep("large.html", text.as_bytes());
    assert!(text.len() < MOST_BYTES, "{} bytes", text.len());
    let runs = |slot: usize| report.slots[slot].steps.iter().filter(|s| s.knowledge.is_some()).count();
    let json = text.split("id=\"data\">").nth(1).and_then(|t| t.split("</script").next()).expect("data");
    let data: serde_json::Value = serde_json::from_str(json).expect("JSON");
    for slot in 0..2 {
        let told = data["slots"][slot]["evidence"].as_array().expect("evidence").len();
        let left_out = data["slots"][slot]["left_out"].as_u64().expect("a count") as usize;
        assert_eq!(told + left_out, runs(slot));
        assert_eq!(text.contains(&format!("the evidence of the {left_out} oldest runs")), left_out > 0);
    }
}

#[test]
fn a_season_s_page_is_read_and_used_on_phone_and_desk() {
    let Some(browser) = Browser::start() else { return };
    let report = season(&Size::SMALL);
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("season.html");
    let text = page::season(&report, &CONTEXT);
    std::fs::write(&file, &text).expect("written");
    keep("season.html", text.as_bytes());
    opens_everywhere(&browser, &file, "season");

    browser.emulate(DESK.0, DESK.1, "light");
    browser.open(&file);
    let slot = &report.slots[0];
    let cell = 25;
    let held = |step: usize| format!("{:.1}", slot.steps[step].values.as_ref().expect("values")[cell]);
    let shown = || browser.text("document.querySelectorAll('#chosen-0 td')[25].firstChild.textContent");
    let last = slot.steps.len() - 1;
    assert_eq!(shown(), held(last));
    let other = (0..last).rev().find(|k| held(*k) != held(last)).expect("a cell that moved");
    // By keyboard: the slider has the focus, one key a revision.
    browser.eval("document.querySelector('.slider input').focus()");
    for _ in other..last {
        browser.press("ArrowLeft");
    }
    assert_eq!(shown(), held(other), "the table follows the slider");
    let told = browser.text("document.getElementById('shown-0').textContent");
    assert!(told.starts_with(&slot.steps[other].revision), "{told}");
    let valuetext = browser.text("document.querySelector('.slider input').getAttribute('aria-valuetext')");
    assert!(valuetext.starts_with(&slot.steps[other].revision), "{valuetext}");
    browser.click(".explorer[data-slot='0'] button[data-go='1']");
    assert_eq!(shown(), held(other + 1), "the button goes one on");
    // The change since the start, against the report's own figure.
    browser.click(".explorer[data-slot='0'] input[value='start']");
    while browser.eval("document.querySelector('.explorer[data-slot=\"0\"] button[data-go=\"1\"]').disabled")
        == json!(false)
    {
        browser.click(".explorer[data-slot='0'] button[data-go='1']");
    }
    let moved = slot.cells.iter().position(|c| c.change_pct.abs() > 1.0).expect("a cell that moved");
    let change =
        browser.text(&format!("document.querySelectorAll('#chosen-0 td')[{moved}].firstChild.textContent"));
    assert_eq!(change, format!("{:+.1}", slot.cells[moved].change_pct));

    // The chart tells its numbers, and the surface turns.
    browser.drag("#moved-0", (0, 0));
    browser.wait("document.querySelector('#moved-0 .hoverlayer .hovertext') !== null");
    let eye = || {
        browser.eval(
            "JSON.stringify(document.querySelector('#surface-0')._fullLayout.scene._scene.getCamera().eye)",
        )
    };
    browser.wait("document.querySelector('#surface-0 canvas') !== null");
    let before = eye();
    browser.drag("#surface-0", (120, 40));
    assert_ne!(eye(), before, "the surface does not turn");

    // A click shows what stands behind a cell.
    assert_eq!(browser.eval("document.getElementById('panel').hidden"), json!(true));
    browser.click("figure.heat table[data-slot='0'] tbody tr:nth-child(3) td:nth-of-type(6)");
    let panel = || browser.text("document.getElementById('panel').textContent");
    let told = panel();
    let evidence = slot.cells[25].evidence.as_ref().expect("evidence");
    let asked =
        format!("{:.2} ± {:.2}", evidence.required.expect("asked"), evidence.std_error.expect("error"));
    for expected in [asked.as_str(), "wanted lambda", "spark", "visits", "held by", "r1"] {
        assert!(told.contains(expected), "no `{expected}` in {told}");
    }
    keep("panel-desk.png", &browser.picture(false));
    browser.press("Escape");
    assert_eq!(browser.eval("document.getElementById('panel').hidden"), json!(true));
    // By keyboard: to the table's first cell, two to the right, one down.
    browser.eval("document.querySelector('figure.heat td[tabindex=\"0\"]').focus()");
    for key in ["Home", "ArrowRight", "ArrowRight", "ArrowDown"] {
        if key != "Home" {
            browser.press(key);
        }
    }
    let row = browser
        .eval("[...document.querySelectorAll('figure.heat table td')].indexOf(document.activeElement)");
    let row = row.as_u64().expect("a focused cell") as usize;
    browser.press("Enter");
    let (rpm, load) = (slot.rpm[row / slot.load.len()], slot.load[row % slot.load.len()]);
    assert!(panel().contains(&format!("{rpm} rpm, throttle {load}\u{a0}%")), "{}", panel());
    assert_eq!(browser.text("document.activeElement.id"), "panel");
    browser.press("Escape");
    let back = browser
        .eval("[...document.querySelectorAll('figure.heat table td')].indexOf(document.activeElement)");
    assert_eq!(back.as_u64(), Some(row as u64), "the focus goes back to the cell");

    assert_eq!(browser.complaints(&file), Vec::<String>::new());

    // On a phone the panel is in sight.
    browser.emulate(PHONE.0, PHONE.1, "dark");
    browser.open(&file);
    browser.click("#theme");
    let ground = browser.text("getComputedStyle(document.body).backgroundColor");
    assert!(ground.starts_with("rgb(2"), "the switch goes from dark to light: {ground}");
    browser.click("#theme");
    browser.click("figure.heat table[data-slot='0'] tbody tr:nth-child(3) td:nth-of-type(3)");
    let inside = "(r => r.top >= 0 && r.bottom <= innerHeight + 1 && r.right <= innerWidth + 1)\
        (document.getElementById('panel').getBoundingClientRect())";
    assert_eq!(browser.eval(inside), json!(true));
    let apart = "document.querySelector('figure.heat td.chosen').getBoundingClientRect().bottom <= \
        document.getElementById('panel').getBoundingClientRect().top + 1";
    browser.wait(apart);
    browser.wait("document.querySelector('#panel-chart .main-svg') !== null");
    keep("panel-phone.png", &browser.picture(false));
    assert_eq!(browser.complaints(&file), Vec::<String>::new());

    // A browser without surfaces says so and keeps the rest.
    browser.before_every_page("HTMLCanvasElement.prototype.getContext = () => null;");
    browser.open(&file);
    assert_eq!(browser.eval("document.querySelector('.surface').hidden"), json!(true));
    assert!(browser.text("document.querySelector('.no-webgl').innerText").contains("WebGL is missing"));
    assert_eq!(shown(), held(last));
    assert_eq!(browser.complaints(&file), Vec::<String>::new());
}
