//! `rideloop new`

use super::build::change_names;
use super::export::RowsWord;
use super::outcome::Exit;
use super::questions::{Answer, Interview, Question, Talk, measured, one_of, whole};
use super::span::region;
use super::{Context, Result};
use crate::bike::{ClosedLoopMode, FuelTableKind, Template, read_regular};
use crate::operations::calc::quantity::{ENGINE_SPEED, FLOW, PRESSURE, VOLUME};
use crate::operations::{NewRequest, OperationError, StockTold};
use crate::physics::fuel::KNOWN_FUELS;
use crate::table::LoadAxis;
use crate::{operations, report, units};
use clap::ValueEnum;
use clap::builder::PossibleValuesParser;
use std::path::PathBuf;

/// Make a bike folder with a first map, from engine data or from a stock fuel table.
///
/// On a terminal it asks for what no option says; with --quiet or --json, or without a terminal, it
/// presumes the usual and says so. A stock fuel table is scaled for displacement, injectors,
/// pressure and fuel. What was changed gets a verdict: whether the stock controller's own adaption
/// covers it.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop new bikes/fernhill --name 'Fernhill 700' --displacement-cc 700 --cylinders 2 --rev-limit-rpm 8200\n  \
                        rideloop new bikes/big --fuel-table pulse_width_ms --displacement-cc 700 --injector-cc-min 270 \
                        --stock stock.csv --stock-displacement-cc 650 --stock-flow-cc-min 220 --changed bore,injectors\n\n\
                        Numbers may bear a unit: 43.5psi, 0.7l. The base tables are a start for a careful first ride, \
                        not a finished map."
)]
pub(super) struct Args {
    /// A folder that does not exist yet.
    dir: PathBuf,
    /// What the workshop calls the bike; without it the folder's name.
    #[arg(long)]
    name: Option<String>,
    /// Displacement of all cylinders, cm³ [presumed: 650].
    #[arg(long, value_name = "CC", allow_negative_numbers = true, value_parser = measured(&VOLUME, DISPLACEMENT_CC))]
    displacement_cc: Option<f64>,
    /// Number of cylinders [presumed: 2].
    #[arg(long, value_name = "COUNT", allow_negative_numbers = true, value_parser = whole(1, 16))]
    cylinders: Option<u32>,
    /// Where the limiter cuts, 1/min [presumed: 9000].
    #[arg(long, value_name = "RPM", allow_negative_numbers = true, value_parser = measured(&ENGINE_SPEED, LIMIT_RPM))]
    rev_limit_rpm: Option<f64>,
    /// Number of injectors [presumed: one a cylinder].
    #[arg(long, value_name = "COUNT", allow_negative_numbers = true, value_parser = whole(1, 32))]
    injectors: Option<u32>,
    /// Flow of one injector at 300 kPa, cm³/min; without it a size that suits the engine.
    #[arg(long, value_name = "CC_MIN", allow_negative_numbers = true, value_parser = measured(&FLOW, FLOW_CC_MIN))]
    injector_cc_min: Option<f64>,
    /// Fuel pressure against the intake, kPa [presumed: 300].
    #[arg(long, value_name = "KPA", allow_negative_numbers = true, value_parser = measured(&PRESSURE, RAIL_KPA))]
    rail_kpa: Option<f64>,
    /// The fuel [presumed: E10].
    #[arg(long, value_parser = KNOWN_FUELS)]
    fuel: Option<String>,
    /// What a cell of the fuel table holds [presumed: ve_pct].
    #[arg(long)]
    fuel_table: Option<FuelTableArg>,
    /// The load axis of the tables [presumed: throttle_pct].
    #[arg(long)]
    load: Option<LoadArg>,
    /// The least and the most trim that an add-on module can hold, %, or `none`; for trim_pct.
    #[arg(long, value_name = "A:B", allow_hyphen_values = true, value_parser = module_range)]
    trim_range_pct: Option<ModuleRange>,
    /// Whether the controller trims to stoichiometric by itself, and whether that is logged
    /// [presumed: none].
    #[arg(long)]
    closed_loop: Option<ClosedLoopArg>,
    /// What was changed on the bike, or `none`.
    #[arg(long, value_name = "CHANGE", value_delimiter = ',', value_parser = PossibleValuesParser::new(change_names().chain([NONE])))]
    changed: Option<Vec<String>>,
    #[command(flatten)]
    stock: Stock,
    /// The switchable table sets [presumed: main].
    #[arg(long, value_delimiter = ',')]
    slots: Option<Vec<String>>,
}

/// The map that the bike had, and the engine that it was for.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "A stock map to start from")]
struct Stock {
    /// Its fuel table, of the kind that --fuel-table names, or `none`: text or JSON as `import` reads it.
    #[arg(long, value_name = "FILE")]
    stock: Option<PathBuf>,
    /// What each row of it is, where the file does not tell.
    #[arg(long, value_name = "AXIS", requires = "stock")]
    stock_rows: Option<RowsWord>,
    /// Displacement that it was made for, cm³; without it that of the bike.
    #[arg(long, value_name = "CC", allow_negative_numbers = true, value_parser = measured(&VOLUME, DISPLACEMENT_CC))]
    stock_displacement_cc: Option<f64>,
    /// Number of injectors that it was made for; without it that of the bike.
    #[arg(long, value_name = "COUNT", allow_negative_numbers = true, value_parser = whole(1, 32))]
    stock_injectors: Option<u32>,
    /// Flow at 300 kPa of one injector it was made for, cm³/min; without it that of the bike.
    #[arg(long, value_name = "CC_MIN", allow_negative_numbers = true, value_parser = measured(&FLOW, FLOW_CC_MIN))]
    stock_flow_cc_min: Option<f64>,
    /// Fuel pressure that it was made for, kPa; without it that of the bike.
    #[arg(long, value_name = "KPA", allow_negative_numbers = true, value_parser = measured(&PRESSURE, RAIL_KPA))]
    stock_rail_kpa: Option<f64>,
    /// The fuel that it was made for; without it that of the bike.
    #[arg(long, value_name = "FUEL", value_parser = KNOWN_FUELS)]
    stock_fuel: Option<String>,
    /// Heads, cams and throttle let no more air through than stock, whatever the displacement.
    #[arg(long)]
    same_air: bool,
}

/// What bike.yaml allows of each.
const DISPLACEMENT_CC: [f64; 2] = [20.0, 10_000.0];
const FLOW_CC_MIN: [f64; 2] = [10.0, 5000.0];
const RAIL_KPA: [f64; 2] = [50.0, 2000.0];
/// Below this there would be no room for the rows of a table.
const LIMIT_RPM: [f64; 2] = [3000.0, 20_000.0];

#[derive(Debug, Clone, Copy, ValueEnum)]
#[value(rename_all = "snake_case")]
enum FuelTableArg {
    VePct,
    PulseWidthMs,
    TrimPct,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
#[value(rename_all = "snake_case")]
enum LoadArg {
    ThrottlePct,
    MapKpa,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
#[value(rename_all = "snake_case")]
enum ClosedLoopArg {
    /// It trims nothing.
    None,
    /// It trims, and the log shows by how much.
    TrimLogged,
    /// It trims, and the log does not show it.
    Unlogged,
}

/// An answer that is a word of an option.
macro_rules! answered_by_its_word {
    ($($word:ty),+) => {
        $(impl Answer for $word {
            fn as_option(&self, _: &str) -> Option<String> {
                self.to_possible_value().map(|word| word.get_name().to_owned())
            }
        })+
    };
}
answered_by_its_word!(FuelTableArg, LoadArg, ClosedLoopArg);

/// What a module can hold, %; none where it has no ends of its own.
#[derive(Debug, Clone, Copy)]
struct ModuleRange(Option<[f64; 2]>);

impl Answer for ModuleRange {
    fn as_option(&self, said: &str) -> Option<String> {
        Some(said.to_owned())
    }
}

fn module_range(text: &str) -> std::result::Result<ModuleRange, String> {
    if text == NONE {
        return Ok(ModuleRange(None));
    }
    let [least, most] = region(text)?;
    let allowed = FuelTableKind::TrimPct.allowed();
    if !(allowed.contains(&least) && allowed.contains(&most) && least < most) {
        return Err(format!(
            "must be two numbers between {} and {}, the lower first, such as -20:30, got {text}",
            allowed.start(),
            allowed.end()
        ));
    }
    if !(least..=most).contains(&0.0) {
        return Err(format!(
            "must hold 0, which leaves the stock map as it is, such as -20:30 or 0:30, got {text}"
        ));
    }
    Ok(ModuleRange(Some([least, most])))
}

/// The word for nothing, where a list or a file may be left away.
const NONE: &str = "none";
/// The word for what the stock engine has in common with the bike.
const SAME: &str = "same";

/// Stands above the command line that answers cannot be lost with.
const REPEATS: &str = "your answers as a command, to change and run again:";

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let today = context.today()?;
    let (mut answers, mut shown) = (std::io::stdin().lock(), std::io::stderr());
    let talk = context.screen.may_ask().then_some(Talk { answers: &mut answers, shown: &mut shown });
    let mut interview = Interview::new(talk);
    let made = request(args, &mut interview, today).and_then(|request| {
        context.interrupts.writes();
        operations::new_bike(&args.dir, &request, context.now)
    });
    if made.is_err() {
        let given = std::env::args_os().skip(1).map(|word| word.to_string_lossy().into_owned());
        let command = interview.repeated([super::NAME.to_owned()].into_iter().chain(given));
        context.screen.complain(&command.map(|line| format!("{REPEATS}\n  {line}\n")).unwrap_or_default());
    }
    let made = made?;
    context.screen.tell(&made, |width| report::new(&made, width));
    Ok(Exit::Done)
}

/// Everything that is to be known, from the options, the answers, and what is presumed.
fn request(
    args: &Args,
    ask: &mut Interview<'_>,
    today: String,
) -> std::result::Result<NewRequest, OperationError> {
    // What no answer can mend is said before the first question.
    operations::refuse_taken(&args.dir)?;
    if let Some(file) = args.stock.stock.as_deref().filter(|file| file.as_os_str() != NONE) {
        read_regular(file).map_err(|error| OperationError::io("read", file, &error))?;
    }
    let folder_name = args.dir.file_name().map(|n| n.to_string_lossy().into_owned());
    let usual = folder_name.as_deref().unwrap_or("bike");
    let name = ask.settle_quietly(args.name.clone(), &q("--name", "Name of the bike", usual), plain)?;
    let displacement_cc = ask.settle(
        args.displacement_cc,
        &q("--displacement-cc", "Displacement of all cylinders, cm³", "650"),
        measured(&VOLUME, DISPLACEMENT_CC),
    )?;
    let cylinders =
        ask.settle(args.cylinders, &q("--cylinders", "Number of cylinders", "2"), whole(1, 16))?;
    let rev_limit_rpm = ask.settle(
        args.rev_limit_rpm,
        &q("--rev-limit-rpm", "Where the limiter cuts, 1/min", "9000"),
        measured(&ENGINE_SPEED, LIMIT_RPM),
    )?;
    let one_each = units::plain(f64::from(cylinders));
    let injectors =
        ask.settle(args.injectors, &q("--injectors", "Number of injectors", &one_each), whole(1, 32))?;
    let rail_kpa = ask.settle(
        args.rail_kpa,
        &q("--rail-kpa", "Fuel pressure against the intake, kPa", "300"),
        measured(&PRESSURE, RAIL_KPA),
    )?;
    let mut template = Template {
        name,
        displacement_cc,
        cylinders,
        rev_limit_rpm,
        injectors: Some(injectors),
        rail_kpa,
        today,
        ..Template::default()
    };
    let fuels = format!("Fuel: {}", KNOWN_FUELS.join(", "));
    let fuel = |text: &str| one_of(&KNOWN_FUELS, text);
    template.fuel = ask.settle(args.fuel.clone(), &q("--fuel", &fuels, "E10"), fuel)?;
    let suits = units::plain(template.injector_cc_min());
    template.injector_cc_min = Some(ask.settle(
        args.injector_cc_min,
        &q("--injector-cc-min", "Flow of one injector at 300 kPa, cm³/min (suits the engine)", &suits),
        measured(&FLOW, FLOW_CC_MIN),
    )?);
    let kinds =
        "What a cell of the fuel table holds: ve_pct, pulse_width_ms, trim_pct (on top of a stock map)";
    template.fuel_table = match ask.settle(args.fuel_table, &q("--fuel-table", kinds, "ve_pct"), word)? {
        FuelTableArg::VePct => FuelTableKind::VePct,
        FuelTableArg::PulseWidthMs => FuelTableKind::PulseWidthMs,
        FuelTableArg::TrimPct => FuelTableKind::TrimPct,
    };
    let module =
        q("--trim-range-pct", "Least and most trim that the module can hold, %, such as -20:30", NONE);
    template.trim_range_pct = match (args.trim_range_pct, template.fuel_table) {
        (None, FuelTableKind::TrimPct) => ask.settle_quietly(None, &module, module_range)?.0,
        (given, _) => given.and_then(|range| range.0),
    };
    let axes = q("--load", "Load axis of the tables: throttle_pct, map_kpa", "throttle_pct");
    template.load = match ask.settle(args.load, &axes, word)? {
        LoadArg::ThrottlePct => LoadAxis::ThrottlePct,
        LoadArg::MapKpa => LoadAxis::MapKpa,
    };
    let trims = "Does the controller trim to stoichiometric by itself: none, trim_logged, unlogged";
    template.closed_loop = match ask.settle(args.closed_loop, &q("--closed-loop", trims, NONE), word)? {
        ClosedLoopArg::None => ClosedLoopMode::None,
        ClosedLoopArg::TrimLogged => ClosedLoopMode::TrimLogged,
        ClosedLoopArg::Unlogged => ClosedLoopMode::Unlogged,
    };
    let known: Vec<&str> = change_names().collect();
    let changed = format!("What was changed, with commas between: {}", known.join(", "));
    template.changed = ask.settle_quietly(args.changed.clone(), &q("--changed", &changed, NONE), changes)?;
    template.changed.retain(|change| change != NONE);
    let stock = stock(args, ask, &template)?;
    let main = q("--slots", "Switchable table sets, with commas between", "main");
    template.slots = ask.settle_quietly(args.slots.clone(), &main, list)?;
    Ok(NewRequest { template, stock, presumed: ask.take_presumed() })
}

fn stock(
    args: &Args,
    ask: &mut Interview<'_>,
    template: &Template,
) -> std::result::Result<StockTold, OperationError> {
    let given = &args.stock;
    let file = q("--stock", "File of a stock fuel table to start from", NONE);
    let rows = given.stock_rows.map(Into::into);
    let read = |text: &str| {
        let file = PathBuf::from(text);
        let told = StockTold { file: (text != NONE).then(|| file.clone()), rows, ..StockTold::default() };
        operations::check_stock(template, &told).map_err(|error| error.to_string())?;
        Ok(file)
    };
    let file = ask.settle_quietly(given.stock.clone(), &file, read)?;
    let mut told = StockTold {
        file: Some(file).filter(|file| file.as_os_str() != NONE),
        rows,
        displacement_cc: given.stock_displacement_cc,
        injectors: given.stock_injectors,
        flow_cc_min: given.stock_flow_cc_min,
        rail_kpa: given.stock_rail_kpa,
        fuel: given.stock_fuel.clone(),
        same_air: given.same_air,
    };
    // A trim stands on a stock map even where that is not at hand.
    let stands_on_one = told.file.is_some() || template.fuel_table == FuelTableKind::TrimPct;
    if !(stands_on_one && ask.is_heard()) {
        return Ok(told);
    }
    let cc = q("--stock-displacement-cc", "Displacement that it was made for, cm³", SAME);
    let read = measured(&VOLUME, DISPLACEMENT_CC);
    told.displacement_cc =
        ask.settle_quietly(told.displacement_cc.map(Some), &cc, |text| other(text, &read))?;
    let count = q("--stock-injectors", "Number of injectors that it was made for", SAME);
    told.injectors =
        ask.settle_quietly(told.injectors.map(Some), &count, |text| other(text, whole(1, 32)))?;
    let flow = q("--stock-flow-cc-min", "Flow of one injector it was made for, cm³/min at 300 kPa", SAME);
    let read = measured(&FLOW, FLOW_CC_MIN);
    told.flow_cc_min = ask.settle_quietly(told.flow_cc_min.map(Some), &flow, |text| other(text, &read))?;
    let rail = q("--stock-rail-kpa", "Fuel pressure that it was made for, kPa", SAME);
    let read = measured(&PRESSURE, RAIL_KPA);
    told.rail_kpa = ask.settle_quietly(told.rail_kpa.map(Some), &rail, |text| other(text, &read))?;
    let fuel = q("--stock-fuel", "Fuel that it was made for", SAME);
    let read = |text: &str| one_of(&KNOWN_FUELS, text);
    told.fuel = ask.settle_quietly(told.fuel.clone().map(Some), &fuel, |text| other(text, read))?;
    Ok(told)
}

fn q<'a>(flag: &'a str, text: &'a str, default: &'a str) -> Question<'a> {
    Question { flag, text, default }
}

fn plain(text: &str) -> std::result::Result<String, String> {
    Ok(units::one_line(text))
}

/// A word of an option.
fn word<T: ValueEnum>(text: &str) -> std::result::Result<T, String> {
    T::from_str(text, true).map_err(|_| {
        let words = T::value_variants().iter().filter_map(ValueEnum::to_possible_value);
        let words: Vec<String> = words.map(|word| word.get_name().to_owned()).collect();
        format!("`{text}` is none of {}", words.join(", "))
    })
}

fn list(text: &str) -> std::result::Result<Vec<String>, String> {
    Ok(text.split(',').map(|name| name.trim().to_owned()).filter(|name| !name.is_empty()).collect())
}

fn changes(text: &str) -> std::result::Result<Vec<String>, String> {
    let known: Vec<&str> = change_names().chain([NONE]).collect();
    list(text)?.iter().map(|name| one_of(&known, name)).collect()
}

fn other<T>(
    text: &str,
    read: impl Fn(&str) -> std::result::Result<T, String>,
) -> std::result::Result<Option<T>, String> {
    if text == SAME { Ok(None) } else { read(text).map(Some) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Debug, Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    /// What was settled, what was shown, and the command that repeats the answers.
    fn told(words: &[&str], typed: &str) -> (NewRequest, String, Option<String>) {
        let args = Line::try_parse_from(["new", "bikes/fernhill"].iter().chain(words)).expect("options").args;
        let (mut answers, mut shown) = (typed.as_bytes(), Vec::new());
        let talk = Talk { answers: &mut answers, shown: &mut shown };
        let mut interview = Interview::new(Some(talk));
        let request = request(&args, &mut interview, "2026-05-02".to_owned()).expect("settled");
        let repeated = interview.repeated(["new", "bikes/fern hill"].map(str::to_owned));
        (request, String::from_utf8(shown).expect("UTF-8"), repeated)
    }

    #[test]
    fn every_question_can_be_answered_and_the_stock_engine_is_asked_for_with_a_stock_map() {
        let folder = tempfile::tempdir().expect("a folder");
        let [missing, broken, stock] =
            ["no.csv", "broken.csv", "my stock.csv"].map(|name| folder.path().join(name));
        std::fs::write(&broken, "rpm/map_kpa,20,100\n1000,x,4.00\n8000,1.50,10.00\n").expect("written");
        std::fs::write(&stock, "rpm/map_kpa,20,100\n1000,1.00,4.00\n8000,1.50,10.00\n").expect("written");
        let [missing, broken, stock] = [missing, broken, stock].map(|file| file.display().to_string());
        let typed = format!(
            "Fernhill 700\n0\n700\n2\n8200\n\n43.5psi\ne10\n\npulse_width_ms\nmap_kpa\nunlogged\n\
             cams, silencer\n{missing}\n{broken}\n{stock}\n650\n4\nsame\n\nE5\npower,economy\n"
        );
        let (request, shown, repeated) = told(&[], &typed);
        // A file that cannot be read costs no answer.
        assert!(shown.contains(&format!("that does not serve: could not read `{missing}`")), "{shown}");
        assert!(shown.contains(&format!("that does not serve: {broken}:2:")), "{shown}");
        let repeated = repeated.expect("answers");
        assert!(
            repeated.starts_with("new 'bikes/fern hill' --name 'Fernhill 700' --displacement-cc 700 "),
            "{repeated}"
        );
        assert!(
            repeated.contains(" --rail-kpa 43.5psi --fuel E10 ")
                && repeated.contains(" --changed cams,silencer ")
        );
        assert!(repeated.contains(&format!(" --stock '{stock}' --stock-displacement-cc 650 ")), "{repeated}");
        assert!(!repeated.contains("same"), "{repeated}");
        // What it says is what was answered.
        let words = shlex(&repeated);
        let again = Line::try_parse_from(words.iter().map(String::as_str).collect::<Vec<_>>());
        let again = again.expect("options").args;
        let again =
            super::request(&again, &mut Interview::new(None), "2026-05-02".to_owned()).expect("settled");
        assert_eq!(again.template.rail_kpa, request.template.rail_kpa);
        assert_eq!(
            (again.template.changed, again.stock),
            (request.template.changed.clone(), request.stock.clone())
        );
        let template = &request.template;
        assert_eq!(
            (&*template.name, template.displacement_cc, template.injectors),
            ("Fernhill 700", 700.0, Some(2))
        );
        assert!((template.rail_kpa - 299.922).abs() < 1e-3, "{}", template.rail_kpa);
        assert_eq!((template.fuel_table, template.load), (FuelTableKind::PulseWidthMs, LoadAxis::MapKpa));
        assert_eq!(
            (&template.changed[..], &template.slots[..]),
            (
                &["cams".to_owned(), "silencer".to_owned()][..],
                &["power".to_owned(), "economy".to_owned()][..]
            )
        );
        let stock = &request.stock;
        assert_eq!((stock.displacement_cc, stock.flow_cc_min, stock.rail_kpa), (Some(650.0), None, None));
        assert_eq!(stock.injectors, Some(4));
        assert_eq!((stock.fuel.as_deref(), request.presumed.len()), (Some("E5"), 0));
        assert!(shown.contains("that does not serve: must be between 20 and 10000 cc, got 0"), "{shown}");
    }

    /// The words of a command, for the quotes that it can have here.
    fn shlex(line: &str) -> Vec<String> {
        let mut words = vec![String::new()];
        let mut is_quoted = false;
        for c in line.chars() {
            match c {
                '\'' => is_quoted = !is_quoted,
                ' ' if !is_quoted => words.push(String::new()),
                c => words.last_mut().expect("a word").push(c),
            }
        }
        words
    }

    #[test]
    fn the_range_of_a_module_says_what_is_wrong_with_it() {
        assert!(module_range("-20:30").is_ok() && module_range("0:30").is_ok() && module_range(NONE).is_ok());
        for (bad, why) in [
            ("5:30", "must hold 0"),
            ("-30:-5", "must hold 0"),
            ("30:-20", "write -20:30"),
            ("0:0", "the lower first"),
        ] {
            let said = module_range(bad).expect_err(bad);
            assert!(said.contains(why), "{said}");
        }
    }

    #[test]
    fn what_the_options_say_is_not_asked() {
        let all = "--name x --displacement-cc 700 --cylinders 2 --rev-limit-rpm 8200 --injectors 2 --injector-cc-min 230 \
                   --rail-kpa 3bar --fuel E5 --fuel-table ve_pct --load map_kpa --closed-loop none --changed none \
                   --stock none --slots main";
        let (request, shown, _) = told(&all.split_whitespace().collect::<Vec<_>>(), "");
        assert_eq!((request.template.rail_kpa, &*shown), (300.0, ""));
        assert!(request.template.changed.is_empty() && request.stock == StockTold::default());
    }
}
