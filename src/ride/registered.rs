//! Names that stand in a registry of this program, read back from where they were kept.

use super::Channel;
use serde::{Deserialize, Deserializer, de};

/// A name or a sentence out of a registry. What is kept of it is its text, which is
/// looked up again when it is read.
///
/// serde would take a plain `&'static str` for text that is borrowed from its input.
pub(crate) type Registered = &'static str;

/// Reads a text that a registry must know.
///
/// # Errors
/// When it does not: what was kept is of another version.
pub(crate) fn registered<'de, D: Deserializer<'de>>(
    kept: D,
    find: impl FnOnce(&str) -> Option<Registered>,
) -> Result<Registered, D::Error> {
    let text = String::deserialize(kept)?;
    find(&text).ok_or_else(|| de::Error::custom(format!("`{text}` is not known")))
}

/// Reads the title of a channel.
pub(crate) fn known_channel<'de, D: Deserializer<'de>>(kept: D) -> Result<Registered, D::Error> {
    registered(kept, channel)
}

/// Reads the title of a channel where there may be none.
pub(crate) fn known_channel_if_any<'de, D: Deserializer<'de>>(
    kept: D,
) -> Result<Option<Registered>, D::Error> {
    match Option::<String>::deserialize(kept)? {
        None => Ok(None),
        Some(title) => match channel(&title) {
            None => Err(de::Error::custom(format!("`{title}` is no channel"))),
            known => Ok(known),
        },
    }
}

fn channel(title: &str) -> Option<Registered> {
    Channel::ALL.iter().map(|(_, name)| *name).find(|name| *name == title)
}
