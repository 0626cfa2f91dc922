//! Why an MDF file, or a channel of it, cannot be read.

/// What was found, where, in words for the person whose file it is.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MdfError {
    /// Another kind of file; how it starts.
    #[error("is not an MDF file: it starts with {0}, an MDF file with `MDF     `")]
    NotMdf(String),
    /// MDF 3 and older, or newer than 4; the version in words.
    #[error("is an MDF file of version {0}; only version 4 can be read")]
    Version(String),
    /// A block that cannot be what the link to it says, or ends too soon.
    #[error("is damaged: the {block} at byte {at} {what}")]
    Damaged {
        /// What should be there, such as `channel block (##CN)`.
        block: &'static str,
        /// Its first byte in the file.
        at: u64,
        /// What is wrong with it.
        what: String,
    },
    /// More than what is read into memory; the limit in words.
    #[error("holds more than {0}, which is more than is read at once")]
    TooLarge(&'static str),
    /// A channel that is there but not of the kind that was asked for.
    #[error("the channel `{channel}` {why}")]
    Channel {
        /// Its name.
        channel: String,
        /// What it is instead, or why it cannot be read.
        why: String,
    },
    /// Indices that the file does not have.
    #[error("has no channel {channel} in a channel group {group}")]
    NoSuchChannel {
        /// Counted from 0.
        group: usize,
        /// Counted from 0.
        channel: usize,
    },
}

impl MdfError {
    /// What to do about it.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            MdfError::NotMdf(_) => {
                Some("export the log as ASAM MDF 4, as Parquet, or as comma-separated text")
            }
            MdfError::Version(_) => Some("save the log as MDF 4.1 with the program that made it"),
            MdfError::Damaged { .. } => {
                Some("copy it from the logger again; if it stays damaged there, export the log anew")
            }
            MdfError::TooLarge(_) => Some("cut the log into shorter files with the program that made it"),
            MdfError::Channel { .. } | MdfError::NoSuchChannel { .. } => None,
        }
    }
}
