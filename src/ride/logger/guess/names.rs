//! Titles against the trade's words: a title enters; how well it names a channel leaves.

use super::words::{
    FILLERS, NAMES, OF_THE_LOOP, OTHER_THROTTLES, SECOND_CHOICE, SPOILERS, TARGET_WORDS, WEAK,
};
use crate::ride::Channel;
use crate::ride::obd::{PARAMETERS, Parameter};

/// How well a title names a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// Not at all.
    Not,
    /// With a word that others use for something else.
    Weakly,
    /// Among other words, or by a second choice such as the oil for the engine's temperature.
    Partly,
    /// It is one of its names.
    Wholly,
}

/// A title's words in lower case, without accents: `EngineSpeed_1` is `engine speed 1`.
pub fn words_of(title: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let chars: Vec<char> = title.chars().flat_map(folded).collect();
    let mut word = String::new();
    for (i, c) in chars.iter().enumerate() {
        let before = i.checked_sub(1).map(|i| chars[i]);
        let is_begin = before.is_none_or(|b| {
            b.is_ascii_digit() != c.is_ascii_digit()
                || (b.is_lowercase() && c.is_uppercase())
                || (b.is_uppercase()
                    && c.is_uppercase()
                    && chars.get(i + 1).is_some_and(|next| next.is_lowercase()))
        });
        if (!c.is_alphanumeric() || is_begin) && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        if c.is_alphanumeric() {
            word.extend(c.to_lowercase());
        }
    }
    if !word.is_empty() {
        words.push(word);
    }
    words
}

fn folded(c: char) -> Vec<char> {
    let plain = match c {
        'ä' | 'á' | 'à' | 'â' | 'ã' => 'a',
        'Ä' | 'Á' | 'À' | 'Â' => 'A',
        'ö' | 'ó' | 'ò' | 'ô' => 'o',
        'Ö' | 'Ó' => 'O',
        'ü' | 'ú' | 'ù' | 'û' => 'u',
        'Ü' | 'Ú' => 'U',
        'é' | 'è' | 'ê' | 'ë' => 'e',
        'É' | 'È' => 'E',
        'í' | 'ì' | 'î' | 'ï' => 'i',
        'ñ' => 'n',
        'ç' => 'c',
        'ß' => return vec!['s', 's'],
        'λ' | 'Λ' => return " lambda ".chars().collect(),
        'φ' | 'Φ' => return " phi ".chars().collect(),
        other => other,
    };
    vec![plain]
}

/// How well the words of a title name a channel, and how many of them say something else.
pub fn rank(channel: Channel, words: &[String]) -> (Rank, usize) {
    let is_target = words.iter().any(|word| is_in(TARGET_WORDS, word));
    match channel {
        Channel::LambdaTarget if !is_target => (Rank::Not, 0),
        Channel::LambdaTarget => {
            let rest: Vec<String> = words.iter().filter(|word| !is_in(TARGET_WORDS, word)).cloned().collect();
            plain_rank(Channel::Lambda, &rest)
        }
        _ if is_target => (Rank::Not, 0),
        Channel::Lambda | Channel::Lambda2 => of_sensor(channel, words),
        _ => plain_rank(channel, words),
    }
}

/// The first sensor, or the second one.
fn of_sensor(channel: Channel, words: &[String]) -> (Rank, usize) {
    // The digit of `O2` is none of a sensor.
    let is_second = |i: usize| {
        let word = words[i].as_str();
        (word == "2" && !(i > 0 && words[i - 1].ends_with('o'))) || word == "rear"
    };
    let second = (0..words.len()).find(|i| is_second(*i));
    match (channel, second) {
        (Channel::Lambda, Some(_)) | (Channel::Lambda2, None) => (Rank::Not, 0),
        (_, None) => plain_rank(Channel::Lambda, words),
        (_, Some(at)) => {
            let mut rest = words.to_vec();
            let word = rest.remove(at);
            // Behind the catalyst.
            let of_bank = rest.iter().any(|word| word == "1") && rest.iter().any(|word| word == "bank");
            let of_sensor = at > 0 && ["s", "sensor"].contains(&words[at - 1].as_str());
            if of_bank || (of_sensor && rest.iter().any(|word| ["b", "bank", "1"].contains(&word.as_str()))) {
                return (Rank::Not, 0);
            }
            let (rank, extra) = plain_rank(Channel::Lambda, &rest);
            // The rear cylinder's, or the rear one of a pipe.
            if word == "rear" { (rank.min(Rank::Partly), extra) } else { (rank, extra) }
        }
    }
}

fn plain_rank(channel: Channel, words: &[String]) -> (Rank, usize) {
    let lists: [(&[(Channel, &str)], Rank); 3] =
        [(&NAMES, Rank::Wholly), (&SECOND_CHOICE, Rank::Partly), (&WEAK, Rank::Weakly)];
    let mut best = (Rank::Not, usize::MAX);
    let joined = words.concat();
    for (list, level) in lists {
        for entry in list.iter().filter(|(of, _)| *of == channel).flat_map(|(_, entries)| entries.split(", "))
        {
            let Some(extra) = extra_words(channel, entry, words, &joined) else { continue };
            let found = if extra == 0 { level } else { level.min(Rank::Partly) };
            if found > best.0 || (found == best.0 && extra < best.1) {
                best = (found, extra);
            }
        }
    }
    match best {
        (Rank::Not, _) => (Rank::Not, 0),
        found => found,
    }
}

/// How many words of the title an entry leaves over; none where it does not fit.
fn extra_words(channel: Channel, entry: &str, words: &[String], joined: &str) -> Option<usize> {
    let wanted: Vec<&str> = entry.split(' ').collect();
    if wanted.concat() == joined {
        return Some(0);
    }
    if !wanted.iter().all(|want| words.iter().any(|word| is_word(channel, word, want))) {
        return None;
    }
    let rest = words.iter().filter(|word| !wanted.iter().any(|want| is_word(channel, word, want)));
    let rest: Vec<&str> = rest.map(String::as_str).filter(|word| !is_in(FILLERS, word)).collect();
    let is_other = |word: &&str| {
        is_in(SPOILERS, word)
            || (channel == Channel::ThrottlePct && is_in(OTHER_THROTTLES, word))
            || (channel == Channel::Lambda && is_in(OF_THE_LOOP, word))
    };
    // One letter as a whole name is one only where nothing else is said.
    let is_short = entry.len() <= 2 && !rest.is_empty();
    (!rest.iter().any(is_other) && !is_short).then_some(rest.len())
}

fn is_in(list: &str, word: &str) -> bool {
    list.split(", ").any(|entry| entry == word)
}

/// Times ascend, which few other columns do: there a slip of one letter is forgiven.
fn is_word(channel: Channel, word: &str, want: &str) -> bool {
    let slip = || {
        let differ = word.chars().zip(want.chars()).filter(|(a, b)| a != b).count();
        want.len() >= 4 && word.len() == want.len() && differ == 1
    };
    word == want || (channel == Channel::TimeS && slip())
}

/// Which trim a title names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trim {
    /// Short term.
    Short,
    /// Long term.
    Long,
    /// One that says no more.
    Single,
}

/// The trim that a title names; of several banks the first one's.
pub fn trim(words: &[String]) -> Option<Trim> {
    let has = |wanted: &str| wanted.split(' ').all(|want| words.iter().any(|word| word == want));
    if ["2", "3", "4"].iter().any(|bank| has(bank)) && !has("o 2 correction") {
        return None;
    }
    if has("stft") || has("short trim") || has("short term trim") {
        return Some(Trim::Short);
    }
    if has("ltft") || has("long trim") || has("long term trim") {
        return Some(Trim::Long);
    }
    let single = [
        "fuel trim",
        "lambda trim",
        "ego",
        "ego correction",
        "ego cor",
        "lambda correction",
        "closed loop correction",
        "o 2 correction",
        "lambdaregler",
        "lambdakorrektur",
        "correction richesse",
    ];
    let is_one_word = words.len() == 1 && words[0] == "trim";
    (single.iter().any(|entry| has(entry)) || is_one_word).then_some(Trim::Single)
}

/// The parameter of SAE J1979 that bears this name.
pub fn parameter(words: &[String]) -> Option<&'static Parameter> {
    let joined = words.concat();
    PARAMETERS.iter().find(|parameter| words_of(parameter.name).concat() == joined)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rank_of(channel: Channel, title: &str) -> Rank {
        rank(channel, &words_of(title)).0
    }

    #[test]
    fn titles_fall_apart_into_words() {
        assert_eq!(words_of("EngineSpeed_1").join(" "), "engine speed 1");
        assert_eq!(words_of("RPMLimit").join(" "), "rpm limit");
        assert_eq!(words_of("Kühlmittel-Temp.").join(" "), "kuhlmittel temp");
        assert_eq!(words_of("λ2").join(" "), "lambda 2");
    }

    #[test]
    fn channels_are_known_by_their_names_in_several_languages() {
        for (title, channel) in [
            ("Engine RPM", Channel::Rpm),
            ("Motordrehzahl", Channel::Rpm),
            ("Régime moteur", Channel::Rpm),
            ("giri", Channel::Rpm),
            ("Throttle Position", Channel::ThrottlePct),
            ("Drosselklappe", Channel::ThrottlePct),
            ("mariposa", Channel::ThrottlePct),
            ("Kühlmitteltemperatur", Channel::EngineTempC),
            ("temperatura acqua", Channel::EngineTempC),
            ("Intake Air Temperature", Channel::AirTempC),
            ("Saugrohrdruck", Channel::MapKpa),
            ("lambda_wb", Channel::Lambda),
            ("AFR 1", Channel::Lambda),
            ("WB2", Channel::Lambda2),
            ("lambda_cmd", Channel::LambdaTarget),
            ("AFR Target", Channel::LambdaTarget),
            ("ENGINE_RUN_TINE", Channel::TimeS),
            ("Vehicle Speed Sensor", Channel::SpeedKph),
            ("CONTROL_MODULE_VOLTAGE", Channel::BatteryV),
        ] {
            assert_eq!(rank_of(channel, title), Rank::Wholly, "{title}");
        }
    }

    #[test]
    fn what_only_looks_like_a_channel_is_none() {
        for (title, channel) in [
            ("RPM limit", Channel::Rpm),
            ("Average speed", Channel::SpeedKph),
            ("AFR Target", Channel::Lambda),
            ("WB2", Channel::Lambda),
            ("Oil pressure", Channel::EngineTempC),
            ("CATALYST_TEMPERATURE_BANK1_SENSOR1", Channel::EngineTempC),
            ("Fuel pressure", Channel::MapKpa),
            ("RELATIVE_THROTTLE_POSITION", Channel::ThrottlePct),
            ("Idle time", Channel::Rpm),
            ("Lambda integrator", Channel::Lambda),
            ("Lambda control", Channel::Lambda),
            ("Lambda_sp", Channel::Lambda),
            ("Lambda B1S2", Channel::Lambda2),
            ("Throttle request", Channel::ThrottlePct),
            ("TPS 2", Channel::ThrottlePct),
            ("Secondary throttle", Channel::ThrottlePct),
        ] {
            assert_eq!(rank_of(channel, title), Rank::Not, "{title}");
        }
        assert_eq!(rank_of(Channel::Lambda2, "Lambda rear"), Rank::Partly);
        assert_eq!(rank_of(Channel::EngineTempC, "Oil temp"), Rank::Partly);
        assert_eq!(rank_of(Channel::Rpm, "Speed"), Rank::Weakly);
        assert_eq!(trim(&words_of("LONG_TERM_FUEL_TRIM_BANK_1")), Some(Trim::Long));
        assert_eq!(trim(&words_of("stft1")), Some(Trim::Short));
        assert_eq!(trim(&words_of("STFT B2")), None);
    }
}
