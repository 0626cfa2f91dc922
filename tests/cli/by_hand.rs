//! Changes by hand: each a revision with a reason, held by guards.

use crate::bench::{Bench, Said};
use rideloop::bike::{HandChange, apply_changes};
use rideloop::operations::OpenBike;

/// Runs a command that a guard must refuse, and that must leave every byte as it was.
fn refused(bench: &Bench, guard: &str, args: &[&str]) -> Said {
    let before = bench.snapshot();
    bench.on_bike(args).exits(3).says(guard).says("Nothing was written");
    let with_json: Vec<&str> = ["--json"].iter().chain(args).copied().collect();
    let said = bench.on_bike(&with_json).exits(3);
    assert_eq!(said.json()["refused"]["guard"], guard, "{said:#?}");
    assert!(said.json()["revision"].is_null());
    assert!(bench.snapshot() == before, "{guard} changed something");
    said
}

/// The row of a table file that begins with this rpm.
fn row(bench: &Bench, table: &str, rpm: &str) -> Vec<String> {
    let text = bench.read(&format!("maps/power/{table}.csv"));
    let line = text.lines().find(|l| l.split(',').next() == Some(rpm)).expect("the row").to_owned();
    line.split(',').skip(1).map(str::to_owned).collect()
}

fn with_spark(bench: &Bench) {
    let fuel = bench.read("maps/power/fuel.csv");
    let rows = fuel.lines().enumerate().map(|(i, line)| match i {
        0 => line.to_owned(),
        _ => format!("{}{}", line.split(',').next().expect("rpm"), ",25.0".repeat(13)),
    });
    let spark: Vec<String> = rows.collect();
    bench.write("maps/power/spark.csv", spark.join("\n") + "\n");
}

/// The lines of every revision made by hand lead from the tables before to its own.
fn edits_can_be_made_again(bench: &Bench) -> usize {
    let bike = OpenBike::open(&bench.bike).expect("a bike");
    let kind = bike.folder.bike.controller.fuel_table;
    let mut made = 0;
    for pair in bike.revisions.windows(2).filter(|pair| !pair[0].record.edits.is_empty()) {
        let changes: Vec<HandChange> =
            pair[0].record.edits.iter().map(|line| line.parse().expect("a change")).collect();
        let before = bike.tables_at(&pair[1].commit, "power").expect("tables");
        let after = bike.tables_at(&pair[0].commit, "power").expect("tables");
        assert_eq!(apply_changes("power", &before, kind, &changes), Ok(after), "{}", pair[0].name());
        made += 1;
    }
    made
}

#[test]
fn every_kind_of_edit_is_a_revision_with_its_reason_and_its_line() {
    let bench = Bench::with_bike();
    let edits: [(&[&str], &str); 5] = [
        (
            &["scale", "+3", "--rpm", "2000:4100", "--load", "9:20"],
            "power fuel scale rpm 2000..4000 load 10..18 by +3 %",
        ),
        (&["add", "-0.5", "--rpm", "1000", "--load", "10"], "power fuel add rpm 1000 load 10 by -0.5"),
        (&["set", "66.04", "--rpm", "1000", "--load", "55"], "power fuel set rpm 1000 load 55 to 66.04"),
        (&["smooth", "--rpm", "5000:7000"], "power fuel smooth rpm 5000..7000 load 0..100 by 50 %"),
        (
            &["scale", "-1", "--table", "mixture", "--load", "75:100"],
            "power mixture scale rpm 1000..8000 load 75..100 by -1 %",
        ),
    ];
    for (n, (words, line)) in edits.iter().enumerate() {
        // The folder had no revision yet: the first edit makes r1 of what it found.
        let name = format!("r{}", n + 2);
        let args: Vec<&str> = [&["edit"], *words, &["--why", "tried on the road"]].concat();
        let before = bench.snapshot();
        bench.on_bike(&[&args[..], &["--dry-run"]].concat()).exits(0).says(line).says("Dry run");
        assert!(bench.snapshot() == before, "the dry run wrote something");
        bench.on_bike(&args).exits(0).says(&format!("{name} is committed")).says(line).says("→");
        let entry = &bench.on_bike(&["--json", "history"]).exits(0).json()[0].clone();
        assert_eq!(
            (entry["revision"].as_str(), entry["kind"].as_str(), entry["why"].as_str()),
            (Some(&*name), Some("edit"), Some("tried on the road"))
        );
        assert_eq!(entry["edits"][0], *line);
        bench.assert_whole();
    }
    assert_eq!(row(&bench, "fuel", "2000")[4], "30.5");
    assert_eq!((&*row(&bench, "fuel", "1000")[4], &*row(&bench, "fuel", "1000")[10]), ("50.8", "66.0"));
    assert_eq!(row(&bench, "mixture", "1000")[12], "0.872");
    let newest = bench.on_bike(&["history"]).exits(0);
    assert!(newest.out.contains("30 mixture cells by hand: tried on the road"), "{}", newest.out);
    let message = bench.git(&["log", "-1", "--format=%B"]).exits(0).out;
    for text in
        ["mixture (lambda), power, against r5", "0.880→0.872", "Limits of pipeline road", "Why: tried"]
    {
        assert!(message.contains(text), "no {text} in {message}");
    }
    bench.on_bike(&["show", "r2"]).exits(0).says("edit     power fuel scale");
    bench.on_bike(&["diff", "r1", "r2"]).exits(0).says("15 cells changed");
    assert_eq!(edits_can_be_made_again(&bench), 5);
    bench.on_bike(&["rollback", "r1", "--why", "all of it was wrong"]).exits(0).says("r7");
    assert_eq!(row(&bench, "mixture", "1000")[12], "0.880");
}

#[test]
fn what_changes_nothing_makes_no_revision_and_what_hits_nothing_is_said() {
    let bench = Bench::with_bike();
    bench.on_bike(&["edit", "scale", "+1", "--why", "a first one"]).exits(0).says("r2");
    let before = bench.snapshot();
    for args in [
        &["set", "67.3", "--rpm", "1000", "--load", "100"][..],
        &["scale", "+0.05", "--load", "100"],
        &["unlock"],
    ] {
        let args = [&["edit"], args, &["--why", "x"]].concat();
        bench.on_bike(&args).exits(0).says("No revision was made");
    }
    let why = ["--why", "x"];
    let edit = |words: &[&str], code| bench.on_bike(&[&["edit"], words, &why[..]].concat()).exits(code);
    edit(&["add", "1", "--rpm", "1100:1400"], 1).says("the nearest are 1000 and 1500");
    edit(&["add", "1", "--load", "101"], 1).says("the nearest is 100");
    edit(&["add", "1", "--slot", "rain"], 1).says("bike.yaml has power, economy");
    edit(&["add", "1", "--table", "spark"], 1).says("has no spark table");
    edit(&["add", "1", "--pipeline", "roda"], 1).says("did you mean `road`?");
    edit(&["add", "1", "--rpm", "4000:2000"], 2).says("write 2000:4000");
    edit(&["add", "nan"], 2);
    edit(&["scale", "-100"], 2);
    edit(&["add", "1", "--despite", "locked"], 2).says("high_load_lean");
    bench.on_bike(&["edit", "add", "1"]).exits(2).says("--why");
    bench.on_bike(&["edit", "add", "1", "--why", " "]).exits(1).says("needs a reason");
    assert!(bench.snapshot() == before);
}

#[test]
fn each_guard_refuses_and_leaves_the_folder_byte_for_byte() {
    let bench = Bench::with_bike();
    with_spark(&bench);
    bench
        .on_bike(&["edit", "lock", "--rpm", "1000:1500", "--load", "0:2", "--why", "idle"])
        .exits(0)
        .says("r2");
    for (guard, words) in [
        ("locked", &["add", "0.1", "--load", "0:4"][..]),
        ("locked", &["add", "0.001", "--table", "mixture", "--rpm", "1500", "--load", "2"]),
        ("cell_range", &["set", "200", "--rpm", "3000", "--load", "55"]),
        ("cell_range", &["set", "1.4", "--table", "mixture", "--rpm", "3000", "--load", "10"]),
        ("step_up", &["scale", "11", "--rpm", "3000:5000", "--load", "10:32"]),
        ("step_down", &["scale", "-7", "--rpm", "3000:5000", "--load", "10:24"]),
        ("high_load_lean", &["scale", "-5", "--rpm", "3000:5000", "--load", "55:100"]),
        ("high_load_lean", &["scale", "5", "--table", "mixture", "--rpm", "3000:5000", "--load", "75:100"]),
        ("lean_target", &["set", "0.97", "--table", "mixture", "--rpm", "3000", "--load", "75"]),
        ("steepness", &["scale", "+9.9", "--rpm", "3000", "--load", "14", "--pipeline", "tight"]),
        ("spark_step", &["add", "1.5", "--table", "spark", "--rpm", "3000"]),
    ] {
        bench.write("pipelines/tight.yaml", "stages:\n  - average\n  - blend: { steepness_pct: 5 }\n");
        refused(&bench, guard, &[&["edit"], words, &["--why", "x"]].concat());
    }
    // Little by little it is the distance that ends it.
    let more = ["edit", "scale", "+9.5", "--rpm", "3000:5000", "--why", "more"];
    let more = [&more[..], &["--despite", "steepness", "--despite", "distance"]].concat();
    for _ in 0..2 {
        bench.on_bike(&more).exits(0).says("is committed");
    }
    refused(&bench, "distance", &more[..7]);
    bench.assert_whole();
}

#[test]
fn a_guard_that_stood_aside_is_remembered_and_only_if_it_had_objected() {
    let bench = Bench::with_bike();
    let edit =
        ["edit", "scale", "-5", "--rpm", "3000:5000", "--load", "55:100", "--why", "measured on the dyno"];
    let refused = bench.on_bike(&edit).exits(3);
    assert!(refused.out.contains("if it is meant all the same: --despite high_load_lean"), "{}", refused.out);
    let despite = ["--despite", "high_load_lean", "--despite", "step_up"];
    let done = bench.on_bike(&[&["--json"], &edit[..], &despite[..]].concat()).exits(0).json();
    assert_eq!(done["despite"], serde_json::json!(["high_load_lean"]));
    assert!(done["cautions"][0].as_str().expect("a caution").contains("lambda under load"), "{done:#}");
    let message = bench.git(&["log", "-1", "--format=%B"]).exits(0).out;
    assert!(
        message.contains("\nDespite: high_load_lean\n") && !message.contains("Despite: step_up"),
        "{message}"
    );
    bench.on_bike(&["show"]).exits(0).says("despite  high_load_lean");
}

#[test]
fn spark_is_retarded_freely_and_advanced_by_small_steps_from_the_build_s_start_only() {
    let bench = Bench::with_bike();
    with_spark(&bench);
    let edit = |amount: &str| {
        bench.on_bike(&["edit", "add", amount, "--table", "spark", "--rpm", "3000", "--why", "by ear"])
    };
    edit("-6").exits(0).says("r2").says("13 spark cells");
    // Going back is advancing too.
    edit("2").exits(3).says("spark_step");
    bench.on_bike(&["rollback", "r1", "--why", "lazy"]).exits(3).says("spark_step");
    bench.on_bike(&["rollback", "r1", "--why", "lazy", "--advance-spark"]).exits(0);
    for n in 4..7 {
        edit("1").exits(0).says("knock").says(&format!("r{n} is committed"));
    }
    edit("1").exits(3).says("spark_distance");
    edit("0.1").exits(3).says("spark_distance");
    assert_eq!(row(&bench, "spark", "3000")[0], "28.0");
    // A first spark table has nothing to be compared with; whoever brings it is warned.
    bench.on_bike(&["export", "--table", "spark", "--out", "spark.csv"]).exits(0);
    let import = ["import", "spark.csv", "--table", "spark", "--slot", "economy", "--why", "as in power"];
    bench.on_bike(&import).exits(0).says("new spark table").says("knock");
    // A table that went away and came back is compared with the one it was.
    std::fs::remove_file(bench.bike.join("maps/power/spark.csv")).expect("there");
    bench.on_bike(&["import", "--from-folder", "--why", "no spark table"]).exits(0).says("spark table gone");
    with_spark(&bench);
    bench.write("maps/power/spark.csv", bench.read("maps/power/spark.csv").replacen("25.0", "27.0", 1));
    bench.on_bike(&["import", "--from-folder", "--why", "back"]).exits(3).says("spark_step");
    bench.git(&["clean", "-fq", "maps"]).exits(0);
    bench.assert_whole();
}

#[test]
fn locked_cells_stay_in_a_later_run_until_they_are_unlocked() {
    let bench = Bench::with_bike();
    bench.write("maps/power/locks.yaml", "# by ear\n- { rpm: [1000, 1000], load: [0, 0], why: idle }\n");
    bench
        .on_bike(&["edit", "lock", "--rpm", "2500:4500", "--why", "from the dyno"])
        .exits(0)
        .says("65 cells locked");
    let locks = bench.read("maps/power/locks.yaml");
    assert!(locks.starts_with("# by ear\n- { rpm: [1000, 1000]"), "{locks}");
    bench.on_bike(&["edit", "unlock", "--rpm", "3000:4000", "--load", "10:100", "--why", "ride it"]).exits(0);
    assert_eq!(edits_can_be_made_again(&bench), 2);
    bench.assert_whole();
    bench.simulate(1, 20);
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(done["revision"], "r4");
    let cells = done["cells"].as_array().expect("cells");
    let number = |cell: &serde_json::Value, key: &str| cell[key].as_f64().expect("a number");
    let mut moved = 0;
    for cell in cells {
        let (rpm, load) = (number(cell, "rpm"), number(cell, "load"));
        let unlocked = (3000.0..=4000.0).contains(&rpm) && load >= 10.0;
        let locked = (2500.0..=4500.0).contains(&rpm) && !unlocked;
        assert!(!locked || cell["before"] == cell["after"], "{cell}");
        moved += usize::from(unlocked && cell["before"] != cell["after"]);
    }
    assert!(moved > 5, "only {moved} of the unlocked cells moved");
}

#[test]
fn a_table_is_imported_from_any_layout_and_goes_back_and_forth() {
    let bench = Bench::with_bike();
    bench.on_bike(&["edit", "scale", "+2", "--load", "10:100", "--why", "to compare"]).exits(0).says("r2");
    let newest = bench.read("maps/power/fuel.csv");
    bench.on_bike(&["export", "--out", "r2.csv"]).exits(0).says("fuel table of r2");
    assert_eq!(std::fs::read_to_string(bench.home().join("r2.csv")).expect("written"), newest);
    bench.on_bike(&["export", "--out", "r2.csv"]).exits(1).says("--force");
    bench.on_bike(&["export", "--out", "r2.csv", "--force"]).exits(0);
    bench.on_bike(&["export", "--out", "r2.xls"]).exits(1).says("--format");
    assert_eq!(bench.on_bike(&["export", "r2", "--out", "-"]).exits(0).out, newest);
    bench.on_bike(&["--json", "export", "--out", "-"]).exits(1);
    bench.on_bike(&["export", "--table", "spark", "--out", "x.csv"]).exits(1).says("no spark table");
    let mut n = 2;
    for format in ["csv", "tsv", "json"] {
        for rows in ["rpm", "load"] {
            for axes in [&[][..], &["--no-axes"]] {
                // r1 in this layout comes in as the next revision, and r2 as the one after.
                for revision in ["r1", "r2"] {
                    let file = format!("{revision}-{rows}-{}.{format}", axes.len());
                    let export = ["export", revision, "--out", &file, "--rows", rows];
                    bench.on_bike(&[&export[..], axes].concat()).exits(0);
                    n += 1;
                    let import = ["--json", "import", &file, "--why", "back and forth"];
                    let done = bench.on_bike(&import).exits(0).json();
                    assert_eq!(done["revision"], format!("r{n}"), "{done:#}");
                    assert_eq!(done["imports"][0]["file"], file);
                    bench.on_bike(&import).exits(0).says("holds these values already");
                }
            }
        }
    }
    assert_eq!(bench.read("maps/power/fuel.csv"), newest);
    // A spreadsheet with a decimal comma, and with more decimals than the table has.
    let comma: Vec<String> = newest.lines().map(|l| l.replace(',', ";").replace('.', ",")).collect();
    std::fs::write(bench.home().join("comma.txt"), comma.join("\r\n").replacen("23,2", "23,37", 1))
        .expect("written");
    bench
        .on_bike(&["import", "comma.txt", "--why", "x"])
        .exits(0)
        .says("1 cell was rounded")
        .says("23.2→23.4");
    let message = bench.git(&["log", "-1", "--format=%B"]).exits(0).out;
    assert!(message.contains("\nImport: sha256:") && message.contains(" comma.txt\n"), "{message}");
    assert!(message.contains("Kind: import\n") && message.contains("1 fuel cell imported: x"), "{message}");
    bench.assert_whole();
}

#[test]
fn what_is_no_table_is_refused_with_line_and_column() {
    let bench = Bench::with_bike();
    bench.on_bike(&["edit", "add", "1", "--load", "55:100", "--why", "x"]).exits(0);
    let fuel = bench.read("maps/power/fuel.csv");
    let before = bench.snapshot();
    for (name, bytes, says) in [
        ("map.png", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec(), "map.png:1:1: is not UTF-8 text"),
        ("empty.csv", Vec::new(), "empty.csv:1:1: the file is empty"),
        (
            "nan.csv",
            fuel.replacen("23.2", "nan", 1).into_bytes(),
            "nan.csv:2:6: a cell must be a number, got `nan`",
        ),
        ("short.csv", fuel.replacen(",67.7\n", "\n", 1).into_bytes(), "short.csv:2: a row holds 12 cells"),
        (
            "shape.csv",
            b"1,2\n3,4\n".to_vec(),
            "shape.csv:1:1: a grid without axes must have 15 rows of 13 cells",
        ),
        (
            "axes.csv",
            fuel.replacen("1500,", "1600,", 1).into_bytes(),
            "axes.csv:3:1: breakpoint 2 of its rpm axis",
        ),
        (
            "load.csv",
            fuel.replace("throttle_pct", "map_kpa").into_bytes(),
            "load.csv:1:1: its load axis is map_kpa",
        ),
    ] {
        std::fs::write(bench.home().join(name), bytes).expect("written");
        bench.on_bike(&["import", name, "--why", "x"]).exits(1).says(says);
    }
    bench.on_bike(&["import", "nowhere.csv", "--why", "x"]).exits(1).says("nowhere.csv");
    bench.on_bike(&["import", "--why", "x"]).exits(2);
    bench.on_bike(&["import", "a.csv", "--from-folder", "--why", "x"]).exits(2);
    // A table that reads well goes through the guards as any other change.
    std::fs::write(bench.home().join("low.csv"), fuel.replace(",67.5,67.7\n", ",57.5,67.7\n"))
        .expect("written");
    bench.on_bike(&["import", "low.csv", "--why", "x"]).exits(3).says("high_load_lean");
    assert!(bench.snapshot() == before);
}

#[test]
fn other_axes_are_taken_when_meant_and_everything_that_compares_goes_on() {
    let bench = Bench::with_bike();
    bench.simulate(1, 20);
    bench.on_bike(&["run"]).exits(0).says("r2");
    bench.simulate(2, 20);
    // The row at 7500 rpm goes, and a column comes half-way between two others.
    let fuel = bench.read("maps/power/fuel.csv");
    let line = |(i, line): (usize, &str)| {
        let fields: Vec<&str> = line.split(',').collect();
        let value = |at: usize| fields[at].parse::<f64>().expect("a number");
        let between = (value(10) + value(11)) / 2.0;
        let between = if i == 0 { format!("{between}") } else { format!("{:.1}", between + 0.5) };
        [&fields[..11], &[between.as_str()], &fields[11..]].concat().join(",")
    };
    let other: Vec<String> = fuel.lines().filter(|l| !l.starts_with("7500")).enumerate().map(line).collect();
    std::fs::write(bench.home().join("other.csv"), other.join("\n")).expect("written");
    let import = ["import", "other.csv", "--why", "finer at half throttle"];
    bench.on_bike(&import).exits(1).says("--new-axes");
    // Where the row is missing, the line between the others holds less than it did.
    bench.on_bike(&[&import[..], &["--new-axes"]].concat()).exits(3).says("7500 rpm").says("high_load_lean");
    let import = [&import[..], &["--despite", "high_load_lean"]].concat();
    bench
        .on_bike(&[&import[..], &["--new-axes"]].concat())
        .exits(0)
        .says("r3")
        .says("fuel table with new axes");
    bench.on_bike(&["check"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("r4 is committed");
    // The change grid stands at the new breakpoints, and its cells are counted.
    let differ = "axes differ: the older table read at the newer breakpoints";
    bench.on_bike(&["diff", "r2", "r3"]).exits(0).says(differ).says("48.5");
    bench.on_bike(&["show", "r3"]).exits(0).says(differ);
    let diff = bench.on_bike(&["--json", "diff", "r2", "r3"]).exits(0).json();
    let cells = diff["tables"][0]["cells"].as_array().expect("cells").len();
    assert!(diff["tables"][0]["axes_changed"] == true && cells > 0, "{diff:#}");
    let entry = &bench.on_bike(&["--json", "history"]).exits(0).json()[1].clone();
    assert_eq!(
        (entry["revision"].as_str(), entry["cells_changed"].as_u64()),
        (Some("r3"), Some(cells as u64))
    );
    bench.on_bike(&["show", "r4"]).exits(0);
    bench.on_bike(&["cell", "3500", "48.5"]).exits(0).says("r2");
    bench.on_bike(&["edit", "scale", "+1", "--load", "48.5", "--why", "x"]).exits(0).says("r5");
    bench.on_bike(&["rollback", "r2", "--why", "the old axes were better"]).exits(0).says("r6");
    assert_eq!(bench.read("maps/power/fuel.csv"), fuel);
    bench.on_bike(&["edit", "lock", "--rpm", "7500", "--why", "by ear"]).exits(0);
    bench
        .on_bike(&[&import[..], &["--new-axes"]].concat())
        .exits(3)
        .says("no cell of the new axes lies in the lock");
    bench.assert_whole();
}

#[test]
fn tables_edited_in_the_folder_become_a_revision_and_so_does_a_new_slot() {
    let bench = Bench::with_bike();
    bench.on_bike(&["import", "--from-folder", "--why", "as bought"]).exits(0).says("r1 is committed");
    bench.on_bike(&["import", "--from-folder", "--why", "x"]).exits(0).says("are those of r1");
    let edited = bench.read("maps/power/fuel.csv").replacen("23.2", "23.9", 1).replace('\n', "\r\n");
    bench.write("maps/power/fuel.csv", &edited);
    bench.on_bike(&["run"]).exits(3).says("uncommitted_edits").says("rideloop import --from-folder");
    let take = ["import", "--from-folder", "--why", "in the editor"];
    bench.on_bike(&[&take[..], &["--dry-run"]].concat()).exits(0).says("23.2→23.9");
    assert_eq!(bench.read("maps/power/fuel.csv"), edited);
    bench.on_bike(&take).exits(0).says("r2 is committed").says("1 fuel cell");
    assert!(!bench.read("maps/power/fuel.csv").contains('\r'));
    bench.assert_whole();
    // Only written otherwise.
    bench.write("maps/power/fuel.csv", bench.read("maps/power/fuel.csv").replace("23.9", "23.90"));
    bench
        .on_bike(&take)
        .exits(0)
        .says("only written otherwise")
        .says("git checkout r2 -- maps/power/fuel.csv");
    bench.git(&["checkout", "r2", "--", "maps"]).exits(0);
    // Guards, and problems with their place.
    let fuel = bench.read("maps/power/fuel.csv");
    bench.write("maps/power/fuel.csv", fuel.replacen("66.7", "60.0", 1));
    refused(&bench, "high_load_lean", &take);
    bench.write("maps/power/fuel.csv", fuel.replacen("66.7", "x", 1));
    bench.on_bike(&take).exits(1).says("maps/power/fuel.csv:2:");
    bench.write("maps/power/fuel.csv", &fuel);
    bench.write("rides.yaml", "# none\n[]\n");
    bench.on_bike(&take).exits(3).says("rides.yaml is only written by rideloop");
    bench.git(&["checkout", "r2", "--", "rides.yaml"]).exits(0);
    // A new slot with tables of its own, and a lock beside it.
    for table in ["fuel", "mixture"] {
        bench.write(&format!("maps/rain/{table}.csv"), bench.read(&format!("maps/power/{table}.csv")));
    }
    bench.write("bike.yaml", bench.read("bike.yaml").replace("[power, economy]", "[power, economy, rain]"));
    bench.write("maps/power/locks.yaml", "- { rpm: [1000, 1000], load: [0, 2], why: idle }\n");
    bench.on_bike(&["run"]).exits(3).says("uncommitted_edits");
    bench.on_bike(&take).exits(0).says("r3").says("new slot rain").says("2 cells locked");
    bench.assert_whole();
    bench.on_bike(&["simulate", "--warm", "--seed", "1", "--minutes", "15", "--slot", "rain"]).exits(0);
    bench.on_bike(&["run", "--slot", "rain"]).exits(0).says("r4 is committed");
    // The new slot is younger than r1 and stays when the others go back.
    let rain = bench.read("maps/rain/fuel.csv");
    bench.on_bike(&["rollback", "r1", "--why", "as bought again"]).exits(0).says("r5");
    assert_eq!(bench.read("maps/rain/fuel.csv"), rain);
    assert_eq!(row(&bench, "fuel", "1000")[0], "23.2");
    bench.on_bike(&["check"]).exits(0).says("0 problems");
    bench.assert_whole();
    // And a slot that is no more.
    bench.write("bike.yaml", bench.read("bike.yaml").replace("[power, economy, rain]", "[power, rain]"));
    std::fs::remove_dir_all(bench.bike.join("maps/economy")).expect("there");
    bench.on_bike(&["run"]).exits(3).says("uncommitted_edits");
    bench.on_bike(&take).exits(0).says("r6").says("2 tables gone");
    bench.on_bike(&["diff"]).exits(0).says("maps/economy/fuel.csv is gone");
    bench.assert_whole();
}

/// The rows of a table file with every cell changed.
fn each_cell(table: &str, change: impl Fn(f64) -> f64) -> String {
    let line = |(i, line): (usize, &str)| match line.split_once(',') {
        Some((rpm, cells)) if i > 0 => {
            let cells = cells.split(',').map(|cell| cell.parse::<f64>().expect("a number"));
            let cells: Vec<String> = cells.map(|cell| format!("{:.1}", change(cell))).collect();
            format!("{rpm},{}\n", cells.join(","))
        }
        _ => format!("{line}\n"),
    };
    table.lines().enumerate().map(line).collect()
}

#[test]
fn a_slot_that_was_away_is_judged_by_the_tables_it_had_last() {
    let bench = Bench::with_bike();
    let take = ["import", "--from-folder", "--why", "x"];
    bench.on_bike(&take).exits(0).says("r1");
    let (bike, fuel) = (bench.read("bike.yaml"), bench.read("maps/economy/fuel.csv"));
    let mixture = bench.read("maps/economy/mixture.csv");
    bench.write("bike.yaml", bike.replace("[power, economy]", "[power]"));
    std::fs::remove_dir_all(bench.bike.join("maps/economy")).expect("there");
    bench.on_bike(&take).exits(0).says("r2");
    bench.on_bike(&["edit", "scale", "+1", "--why", "in between"]).exits(0).says("r3");
    bench.write("bike.yaml", &bike);
    bench.write("maps/economy/mixture.csv", mixture);
    bench.write("maps/economy/fuel.csv", each_cell(&fuel, |cell| (cell * 0.6).max(cell.min(3.0))));
    refused(&bench, "high_load_lean", &take);
    // Even where steps stand aside, the distance from the build's start does not.
    let despite = ["--despite", "high_load_lean", "--despite", "step_down", "--despite", "new_slot"];
    refused(&bench, "distance", &[&take[..], &despite[..]].concat());
    bench.write("maps/economy/fuel.csv", &fuel);
    bench.on_bike(&take).exits(0).says("r4").says("slot economy back").says("those it had last, in r1");
    assert_eq!(bench.read("maps/economy/fuel.csv"), fuel);
    bench.assert_whole();
}

#[test]
fn a_new_slot_is_judged_by_the_other_slots() {
    let bench = Bench::with_bike();
    with_spark(&bench);
    let take = ["import", "--from-folder", "--why", "x"];
    bench.on_bike(&take).exits(0).says("r1");
    bench.write("bike.yaml", bench.read("bike.yaml").replace("[power, economy]", "[power, economy, race]"));
    for table in ["fuel", "mixture", "spark"] {
        bench.write(&format!("maps/race/{table}.csv"), bench.read(&format!("maps/power/{table}.csv")));
    }
    let (fuel, spark) = (bench.read("maps/race/fuel.csv"), bench.read("maps/race/spark.csv"));
    bench.write("maps/race/fuel.csv", each_cell(&fuel, |cell| (cell / 2.0).max(cell.min(3.0))));
    bench.write("maps/race/spark.csv", each_cell(&spark, |_| 55.0));
    let despite = [&take[..], &["--despite", "new_slot"]].concat();
    refused(&bench, "new_slot", &take);
    // Its fuel stands aside when told to, its spark does not.
    let said = refused(&bench, "new_slot", &despite);
    assert!(said.out.contains("25.0→55.0") && !said.out.contains("--despite"), "{said:#?}");
    bench.write("maps/race/spark.csv", each_cell(&spark, |cell| cell + 1.0));
    let said = refused(&bench, "new_slot", &take);
    assert!(said.out.contains("--despite new_slot"), "{said:#?}");
    bench.on_bike(&[&despite[..], &["--dry-run"]].concat()).exits(0).says("new slot race");
    bench.write("maps/race/fuel.csv", each_cell(&fuel, |cell| cell.max(139.0) + 2.0));
    refused(&bench, "cell_range", &take);
    bench.write("maps/race/fuel.csv", &fuel);
    // A slot under another name goes by the slots that there were, and so does a first spark table.
    bench.write("bike.yaml", bench.read("bike.yaml").replace("[power, economy, race]", "[race, economy]"));
    std::fs::remove_dir_all(bench.bike.join("maps/power")).expect("there");
    bench.write("maps/economy/spark.csv", each_cell(&spark, |cell| cell + 1.1));
    refused(&bench, "new_slot", &take);
    bench.write("maps/economy/spark.csv", &spark);
    bench.on_bike(&take).exits(0).says("new slot race").says("knock");
    bench.assert_whole();
}

#[test]
fn a_build_written_by_hand_starts_from_the_tables_before_the_change() {
    let bench = Bench::with_bike();
    with_spark(&bench);
    let take = ["import", "--from-folder", "--why", "x"];
    bench.on_bike(&take).exits(0).says("r1");
    let builds = bench.read("builds.yaml");
    bench.write("builds.yaml", format!("{builds}- {{ build: b2, since: 2026-05-02, what: cams }}\n"));
    let fuel = bench.read("maps/power/fuel.csv");
    bench.write("maps/power/fuel.csv", each_cell(&fuel, |cell| cell * 1.5));
    let despite = [&take[..], &["--despite", "step_up"]].concat();
    refused(&bench, "distance", &despite);
    bench.write("maps/power/fuel.csv", fuel.replacen("23.2", "30.0", 1));
    refused(&bench, "steepness", &[&despite[..], &["--despite", "distance"]].concat());
    bench.write("maps/power/fuel.csv", fuel.replacen("23.2", "23.9", 1));
    bench.on_bike(&take).exits(0).says("r2");
    bench.assert_whole();
}

#[test]
fn a_new_build_silences_older_rides_and_keeps_the_tables() {
    let bench = Bench::with_bike();
    bench.simulate(1, 15);
    bench.on_bike(&["run"]).exits(0).says("r2");
    bench.simulate(2, 15);
    bench.write("rides/loose.csv", bench.read("rides/r2/sim-2.csv").replace("\n0.", "\n1."));
    std::fs::remove_file(bench.bike.join("rides/r2/sim-2.csv")).expect("there");
    bench.simulate(3, 15);
    let (builds, fuel) = (bench.read("builds.yaml"), bench.read("maps/power/fuel.csv"));
    for (option, value, says) in [
        ("since", "2026-01-01", "order of time"),
        ("since", "spring", "YYYY-MM-DD"),
        ("since", "2062-05-02", "and today is 2026-05-02"),
        ("name", "b1", "appears twice"),
        ("name", "b 2", "letters, digits"),
        ("name", "r3", "always means a revision"),
        ("name", "power", "is a slot"),
    ] {
        let said =
            bench.on_bike(&["build", "add", "cams", &format!("--{option}"), value]).exits(1).says(says);
        let other = if option == "name" { "--since" } else { "--name" };
        assert!(said.complains(&format!("say another --{option}")) && !said.complains(other), "{said:#?}");
    }
    let said = bench.on_bike(&["build", "add", ""]).exits(1).says("a build needs words");
    assert!(!said.err.contains("--why"), "{}", said.err);
    let said = bench.on_bike(&["build", "add", "sharper cams: \"hot\""]).exits(0).says("r3").says("build b2");
    assert!(said.out.contains("2 rides of build b1") && said.out.contains("loose.csv"), "{}", said.out);
    let line = "- { build: b2, since: 2026-05-02, what: \"sharper cams: \\\"hot\\\"\" }\n";
    assert_eq!(bench.read("builds.yaml"), format!("{builds}{line}"));
    assert_eq!(bench.read("maps/power/fuel.csv"), fuel);
    bench.assert_whole();
    let entry = &bench.on_bike(&["--json", "history"]).exits(0).json()[0].clone();
    assert_eq!((entry["kind"].as_str(), entry["build"].as_str()), (Some("build"), Some("b2")));
    // The ride that lay directly in rides/ belongs to the build it was made on.
    assert!(bench.read("rides.yaml").contains("loose.csv"), "{}", bench.read("rides.yaml"));
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert!(done["revision"].is_null() && done["rides"] == serde_json::json!([]), "{done:#}");
    let reasons = done["passed_over"].as_array().expect("rides");
    assert!(reasons.iter().filter(|r| r["reason"] == "other_build").count() == 3, "{done:#}");
    bench.on_bike(&["rollback", "r2", "--why", "x"]).exits(3).says("other_build").says("--across-builds");
    bench.simulate(4, 15);
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!((done["revision"].as_str(), done["rides"].as_array().map(Vec::len)), (Some("r4"), Some(1)));
    bench.on_bike(&["rollback", "r2", "--why", "old cams again", "--across-builds"]).exits(0);
}

#[test]
fn leaning_by_hand_without_a_ride_between_stays_within_one_step() {
    let bench = Bench::with_bike();
    let lean = ["edit", "scale", "-2.5", "--load", "55:100", "--why", "a little less"];
    bench.on_bike(&lean).exits(0).says("r2");
    // r1 is the build's start: no ride was made since.
    let said = refused(&bench, "high_load_lean", &lean);
    assert!(said.out.contains("since r1"), "{said:#?}");
    // A leaner target is leaning too.
    let target = ["edit", "scale", "+3", "--table", "mixture", "--load", "55:100", "--why", "leaner"];
    refused(&bench, "high_load_lean", &target);
    // What is leaned no further passes, and so does what is meant all the same.
    bench.on_bike(&["edit", "scale", "-3", "--load", "0:30", "--why", "cruising"]).exits(0).says("r3");
    let meant = [&lean[..], &["--despite", "high_load_lean"]].concat();
    bench.on_bike(&meant).exits(0).says("r4").says("high_load_lean had objected");
    bench.on_bike(&["edit", "scale", "+1", "--load", "55:100", "--why", "back a little"]).exits(0).says("r5");
    // Going back to r2 does not begin the counting anew.
    bench.on_bike(&["rollback", "r2", "--why", "as it was"]).exits(0).says("r6");
    refused(&bench, "high_load_lean", &lean);
    bench.assert_whole();
}

#[test]
fn another_bike_yaml_is_told_of_and_leans_nothing_unseen() {
    let bench = Bench::with_bike();
    let edit = ["edit", "add", "0.1", "--rpm", "1000", "--load", "0", "--why", "idle"];
    let yaml = bench.read("bike.yaml");
    let baked_in = yaml.replace("mixture: controller", "mixture: table");
    bench.write("bike.yaml", &baked_in);
    bench.on_bike(&edit).exits(0).says("r2");
    let target = ["edit", "scale", "+8", "--table", "mixture", "--load", "75:100", "--why", "leaner"];
    bench.on_bike(&target).exits(0).says("r3");
    // Back again, and with it the leaner targets count.
    bench.write("bike.yaml", &yaml);
    let said = refused(&bench, "high_load_lean", &edit);
    assert!(said.out.contains("mixture table"), "{said:#?}");
    // Whichever slot is edited: bike.yaml counts for all of them.
    let other_slot = [&edit[..], &["--slot", "economy"]].concat();
    let said = refused(&bench, "high_load_lean", &other_slot);
    assert!(said.out.contains("mixture table of slot power"), "{said:#?}");
    let meant = [&edit[..], &["--despite", "high_load_lean"]].concat();
    bench.write("pipelines/own.yaml", "stages:\n  - average\n  - blend\n");
    bench
        .on_bike(&[&meant[..], &["--dry-run"]].concat())
        .exits(0)
        .says("caution: bike.yaml changed: controller.mixture table → controller")
        .says("also taken along: bike.yaml, pipelines/own.yaml; `rideloop diff` shows how");
    bench.on_bike(&meant).exits(0).says("r4");
    let plain = bench.on_bike(&["--json", "edit", "add", "0.1", "--load", "0", "--why", "x"]).exits(0).json();
    assert_eq!((&plain["notes"], &plain["cautions"]), (&serde_json::json!([]), &serde_json::json!([])));
    // The other way round the rich targets no longer enrich.
    bench.write("bike.yaml", &baked_in);
    let said = refused(&bench, "high_load_lean", &edit);
    assert!(said.out.contains("by bike.yaml"), "{said:#?}");
    bench.write("bike.yaml", yaml.replace("displacement_cc: 700", "displacement_cc: 720"));
    bench
        .on_bike(&["build", "add", "bored out"])
        .exits(0)
        .says("engine.displacement_cc 700 → 720")
        .says("also taken along: bike.yaml;");
    bench.assert_whole();
}

#[test]
fn the_history_remembers_a_pipeline_that_guarded_by_looser_limits() {
    let bench = Bench::with_bike();
    let loose =
        "stages:\n  - average\n  - blend: { step_up_pct: 50, steepness_pct: 200, cell_range: [1, 200] }\n";
    bench.write("pipelines/loose.yaml", loose);
    let edit = ["edit", "scale", "+20", "--rpm", "3000", "--load", "10", "--why", "x"];
    let edit = [&edit[..], &["--pipeline", "loose"]].concat();
    bench
        .on_bike(&edit)
        .exits(0)
        .says("step_up_pct 50 instead of 10, steepness_pct 200 instead of 15")
        .says("cell_range 1 to 200 instead of 3 to 140");
    let message = bench.git(&["log", "-1", "--format=%B"]).exits(0).out;
    assert!(message.contains("\nPipeline: loose sha256:") && message.contains("step_up_pct 50"), "{message}");
    bench.on_bike(&["show"]).exits(0).says("pipeline loose").says("steepness_pct: 200");
    let entry = &bench.on_bike(&["--json", "history"]).exits(0).json()[0].clone();
    assert_eq!(entry["pipeline"]["name"], "loose");
    bench.assert_whole();
    // The shipped default is not worth a word.
    bench.on_bike(&["edit", "add", "0.1", "--rpm", "7000", "--why", "x"]).exits(0);
    assert!(!bench.git(&["log", "-1", "--format=%B"]).exits(0).out.contains("\nPipeline:"));
    bench.assert_whole();
}

#[test]
fn a_refusal_over_two_slots_names_them() {
    let bench = Bench::with_bike();
    let take = ["import", "--from-folder", "--why", "x"];
    bench.on_bike(&take).exits(0).says("r1");
    let fuel = ["power", "economy"].map(|slot| bench.read(&format!("maps/{slot}/fuel.csv")));
    for (slot, fuel) in ["power", "economy"].iter().zip(&fuel) {
        bench.write(
            &format!("maps/{slot}/fuel.csv"),
            each_cell(fuel, |cell| (cell * 0.93).max(cell.min(3.3))),
        );
    }
    let said = refused(&bench, "high_load_lean", &take);
    assert!(said.out.contains("of the fuel table of slot power leaned"), "{said:#?}");
    assert!(said.out.contains("of fuel, slot economy)"), "{said:#?}");
    bench.write("maps/economy/fuel.csv", &fuel[1]);
    let said = refused(&bench, "high_load_lean", &take);
    assert!(!said.out.contains("of slot power"), "{said:#?}");
}

#[test]
fn of_a_huge_file_only_the_first_problems_are_shown() {
    let bench = Bench::with_bike();
    let rows: Vec<String> = (1..=60).map(|n| format!("{},{}", n * 100, ["x"; 13].join(","))).collect();
    let head = bench.read("maps/power/fuel.csv").lines().next().expect("a head").to_owned();
    std::fs::write(bench.home().join("huge.csv"), format!("{head}\n{}\n", rows.join("\n"))).expect("written");
    let said = bench.on_bike(&["import", "huge.csv", "--why", "x"]).exits(1);
    assert_eq!(said.err.lines().count(), 21, "{said:#?}");
    assert!(said.err.trim_end().ends_with("more"), "{said:#?}");
    let error =
        &bench.on_bike(&["--json", "import", "huge.csv", "--why", "x"]).exits(1).json()["error"].clone();
    assert_eq!(error["problems"].as_array().map(Vec::len), Some(20), "{error:#}");
    assert!(error["problems_left_out"].as_u64().is_some_and(|n| n >= 700), "{error:#}");
}
