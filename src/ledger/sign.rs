//! Signatures under commits and tags, made by the program the user has named in git's settings.
//!
//! Git's settings and the bytes to be signed go in; the signature's text comes out. The programs are
//! called as git calls them, so that `git verify-commit` and `git verify-tag` take the result. No
//! secret passes through here: the program asks for it at the terminal, or an agent holds it.
//!
//! # Source
//! `git help config`: `commit.gpgSign`, `tag.gpgSign`, `tag.forceSignAnnotated`, `gpg.format`,
//! `gpg.program`, `gpg.<format>.program`, `user.signingKey`. The words on the command line are those
//! of git's `gpg-interface.c` (from memory).

use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use git2::Config;

use super::error::LedgerError;

/// How gpg and gpgsm tell on their status channel that they have signed.
const SIG_CREATED: &str = "[GNUPG:] SIG_CREATED ";

/// How a key given itself, and not by its file, begins in `user.signingkey`.
const LITERAL_KEYS: [&str; 3] = ["ssh-", "ecdsa-", "sk-"];
const LITERAL_PREFIX: &str = "key::";

/// The settings that ask for signatures, with git's own spelling.
const COMMIT: &str = "commit.gpgsign";
const TAG: &str = "tag.gpgsign";
const ANNOTATED: &str = "tag.forceSignAnnotated";

/// The three ways to sign that git knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    OpenPgp,
    X509,
    Ssh,
}

/// What signs, with which key.
#[derive(Clone, Debug)]
pub(super) struct Signer {
    pub commits: bool,
    pub tags: bool,
    format: Format,
    program: PathBuf,
    /// The setting that names the program.
    program_setting: &'static str,
    key: String,
    /// Where a relative path of a key begins, as with git.
    folder: PathBuf,
    /// The settings that ask for signatures.
    on: Vec<&'static str>,
    /// There is a repository whose own settings can say otherwise.
    in_repository: bool,
}

/// The signatures of one revision.
#[derive(Clone, Debug, Default)]
pub(super) struct Signatures {
    pub commit: Option<String>,
    pub tag: Option<String>,
}

impl Signer {
    /// Reads git's settings; `None` when nothing is to be signed.
    ///
    /// # Errors
    /// [`LedgerError::Signing`] when signatures are asked for and the settings cannot give any.
    pub(super) fn from_settings(
        config: &Config,
        folder: &Path,
        identity: &(String, String),
        in_repository: bool,
    ) -> Result<Option<Signer>, LedgerError> {
        let is_on = |name: &&'static str| config.get_bool(name).unwrap_or(false);
        let on: Vec<&'static str> = [COMMIT, TAG, ANNOTATED].into_iter().filter(|name| is_on(name)).collect();
        if on.is_empty() {
            return Ok(None);
        }
        let text = |name: &str| config.get_string(name).ok().filter(|value| !value.trim().is_empty());
        let program = |name: &'static str| config.get_path(name).ok().map(|path| (path, name));
        let mut signer = Signer {
            commits: on.contains(&COMMIT),
            tags: on.iter().any(|name| *name != COMMIT),
            format: Format::OpenPgp,
            program: "gpg".into(),
            program_setting: "gpg.program",
            key: String::new(),
            folder: folder.to_path_buf(),
            on,
            in_repository,
        };
        let format = text("gpg.format").unwrap_or_else(|| "openpgp".to_owned());
        let named = match format.as_str() {
            "openpgp" => program("gpg.openpgp.program").or_else(|| program("gpg.program")),
            "x509" => {
                (signer.format, signer.program) = (Format::X509, "gpgsm".into());
                signer.program_setting = "gpg.x509.program";
                program("gpg.x509.program")
            }
            "ssh" => {
                (signer.format, signer.program) = (Format::Ssh, "ssh-keygen".into());
                signer.program_setting = "gpg.ssh.program";
                program("gpg.ssh.program")
            }
            other => {
                let why = format!("`gpg.format` is `{other}`, and git knows openpgp, x509 and ssh");
                return Err(signer.failed("gpg.format", &why));
            }
        };
        if let Some((program, setting)) = named {
            (signer.program, signer.program_setting) = (program, setting);
        }
        signer.key = match (text("user.signingkey"), signer.format) {
            (Some(key), _) => key,
            (None, Format::Ssh) => {
                let why = "`user.signingkey` does not say which ssh key to use (`gpg.ssh.defaultKeyCommand` is not run)";
                return Err(signer.failed("user.signingkey", why));
            }
            // As git does: gpg looks the key up by who makes the commit.
            (None, _) => format!("{} <{}>", identity.0, identity.1),
        };
        if signer.format == Format::Ssh && signer.literal_key().is_none() {
            let path = config.get_path("user.signingkey").unwrap_or_else(|_| signer.key.clone().into());
            signer.key = path.display().to_string();
            if !folder.join(&path).is_file() {
                let why = format!("there is no key file `{}`", path.display());
                return Err(signer.failed("user.signingkey", &why));
            }
        }
        Ok(Some(signer))
    }

    /// Signs a few bytes that are kept nowhere, before there is anything to undo.
    pub(super) fn try_out(&self) -> Result<(), LedgerError> {
        self.sign(b"tree of nothing\n").map(drop)
    }

    /// The signature of these bytes, without a line end.
    ///
    /// # Errors
    /// [`LedgerError::Signing`] with what the program said.
    pub(super) fn sign(&self, payload: &[u8]) -> Result<String, LedgerError> {
        let signature = match self.format {
            Format::Ssh => self.sign_with_ssh(payload),
            Format::OpenPgp | Format::X509 => self.sign_with_gpg(payload),
        }?;
        Ok(signature.replace('\r', "").trim_end().to_owned())
    }

    fn sign_with_gpg(&self, payload: &[u8]) -> Result<String, LedgerError> {
        let mut command = Command::new(&self.program);
        command.args(["--status-fd=2", "-bsau", &self.key]).stdin(Stdio::piped());
        let mut child = self.start(command)?;
        if let Some(mut stdin) = child.stdin.take() {
            // A program that stopped reading says why itself.
            let _ = stdin.write_all(payload);
        }
        let output = self.finish(child)?;
        let told = String::from_utf8_lossy(&output.stderr);
        if !told.lines().any(|line| line.starts_with(SIG_CREATED)) {
            return Err(self.said("user.signingkey", &output));
        }
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    }

    fn sign_with_ssh(&self, payload: &[u8]) -> Result<String, LedgerError> {
        let trouble = |error: std::io::Error| {
            let why = format!("a file for `{}` to sign could not be made: {error}", self.program.display());
            self.failed(self.program_setting, &why)
        };
        let work = tempfile::tempdir().map_err(trouble)?;
        let buffer = work.path().join("revision");
        fs::write(&buffer, payload).map_err(trouble)?;
        let mut command = Command::new(&self.program);
        command.args(["-Y", "sign", "-n", "git", "-f"]);
        match self.literal_key() {
            Some(key) => {
                let file = work.path().join("key");
                fs::write(&file, format!("{key}\n")).map_err(trouble)?;
                // The secret half of a key that is given itself is with an agent.
                command.arg(&file).arg("-U");
            }
            None => {
                command.arg(&self.key);
            }
        }
        // The terminal stays the program's: it may have to ask for a passphrase.
        command.arg(&buffer).stdin(Stdio::inherit());
        let output = self.finish(self.start(command)?)?;
        let signature = fs::read_to_string(work.path().join("revision.sig"));
        signature.map_err(|_| self.said("user.signingkey", &output))
    }

    fn literal_key(&self) -> Option<&str> {
        let key = self.key.as_str();
        key.strip_prefix(LITERAL_PREFIX)
            .or_else(|| LITERAL_KEYS.iter().any(|begin| key.starts_with(begin)).then_some(key))
    }

    fn start(&self, mut command: Command) -> Result<Child, LedgerError> {
        command.current_dir(&self.folder).stdout(Stdio::piped()).stderr(Stdio::piped());
        command.spawn().map_err(|error| {
            let program = self.program.display();
            let why = match error.kind() {
                ErrorKind::NotFound => format!("the program `{program}` is not there"),
                _ => format!("the program `{program}` could not be run: {error}"),
            };
            self.failed(self.program_setting, &why)
        })
    }

    fn finish(&self, child: Child) -> Result<Output, LedgerError> {
        match child.wait_with_output() {
            Ok(output) if output.status.success() => Ok(output),
            Ok(output) => Err(self.said("user.signingkey", &output)),
            Err(error) => Err(self.failed(self.program_setting, &error.to_string())),
        }
    }

    /// A failure in the program's own words, without its status lines.
    fn said(&self, setting: &'static str, output: &Output) -> LedgerError {
        let told = String::from_utf8_lossy(&output.stderr);
        let lines = told.lines().map(str::trim).filter(|l| !l.is_empty() && !l.starts_with("[GNUPG:]"));
        let told: Vec<&str> = lines.collect();
        let told = if told.is_empty() { "nothing".to_owned() } else { told.join("; ") };
        let why = format!(
            "`{}` made no signature with the key `{}`; it said: {told}",
            self.program.display(),
            self.key
        );
        self.failed(setting, &why)
    }

    fn failed(&self, setting: &'static str, why: &str) -> LedgerError {
        let global = if self.in_repository { "" } else { "--global " };
        let off: Vec<String> =
            self.on.iter().map(|name| format!("`git config {global}{name} false`")).collect();
        let place = if self.in_repository { "in this bike folder" } else { "anywhere" };
        LedgerError::Signing {
            on: self.on.join(" and "),
            why: why.to_owned(),
            setting,
            off: format!("sign nothing {place} with {}", off.join(" and ")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signer(settings: &str) -> Result<Option<Signer>, LedgerError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("config");
        fs::write(&path, settings).unwrap();
        let config = Config::open(&path).unwrap();
        let identity = ("A Tuner".to_owned(), "a@b.invalid".to_owned());
        Signer::from_settings(&config, dir.path(), &identity, true)
    }

    #[test]
    fn nothing_is_signed_unless_git_s_settings_ask_for_it() {
        assert!(signer("[user]\n\tsigningkey = ABC\n[gpg]\n\tformat = ssh\n").unwrap().is_none());
        assert!(signer("[commit]\n\tgpgsign = false\n").unwrap().is_none());
    }

    #[test]
    fn programs_and_keys_are_those_that_git_would_take() {
        let plain = signer("[commit]\n\tgpgsign = true\n").unwrap().unwrap();
        assert_eq!((plain.program.to_str(), plain.key.as_str()), (Some("gpg"), "A Tuner <a@b.invalid>"));
        assert!(plain.commits && !plain.tags);
        let own = "[tag]\n\tforceSignAnnotated\n[gpg]\n\tprogram = pgp\n[user]\n\tsigningkey = ABC\n";
        let own = signer(own).unwrap().unwrap();
        assert_eq!((own.program.to_str(), own.key.as_str()), (Some("pgp"), "ABC"));
        assert!(!own.commits && own.tags);
        let cards = "[commit]\n\tgpgsign = true\n[gpg]\n\tformat = x509\n\tprogram = pgp\n";
        assert_eq!(signer(cards).unwrap().unwrap().program.to_str(), Some("gpgsm"));
        let literal =
            "[commit]\n\tgpgsign\n[gpg]\n\tformat = ssh\n[user]\n\tsigningkey = key::ssh-ed25519 AAAA\n";
        assert_eq!(signer(literal).unwrap().unwrap().literal_key(), Some("ssh-ed25519 AAAA"));
    }

    #[test]
    fn settings_that_cannot_sign_are_refused_with_their_name_and_the_way_out() {
        let cases = [
            ("[gpg]\n\tformat = wax\n", "gpg.format"),
            ("[gpg]\n\tformat = ssh\n", "user.signingkey"),
            ("[gpg]\n\tformat = ssh\n[user]\n\tsigningkey = nowhere\n", "user.signingkey"),
        ];
        for (settings, setting) in cases {
            let error = signer(&format!("[commit]\n\tgpgsign = true\n{settings}")).unwrap_err();
            assert_eq!(error.guard(), Some("signing"));
            let told = error.to_string();
            assert!(told.contains(setting) && told.contains("git config commit.gpgsign false"), "{told}");
        }
        let missing =
            signer("[commit]\n\tgpgsign = true\n[gpg]\n\tprogram = no-such-program\n").unwrap().unwrap();
        let told = missing.try_out().unwrap_err().to_string();
        assert!(told.contains("`no-such-program` is not there") && told.contains("gpg.program"), "{told}");
    }
}
