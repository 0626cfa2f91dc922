//! Words of a command that is suggested, as a POSIX shell takes them.

use std::path::Path;

/// A text as one word: in single quotes where a shell would read something into it.
pub fn word(text: &str) -> String {
    // Elsewhere than on Windows a backslash hides what follows it.
    let is_plain = |c: char| c.is_alphanumeric() || "/._-+:@%,".contains(c) || (cfg!(windows) && c == '\\');
    match !text.is_empty() && text.chars().all(is_plain) {
        true => text.to_owned(),
        false => format!("'{}'", text.replace('\'', r"'\''")),
    }
}

/// A path as one word.
pub fn path(path: impl AsRef<Path>) -> String {
    word(&path.as_ref().to_string_lossy())
}

/// Paths as words with blanks between them.
pub fn paths(paths: impl IntoIterator<Item = impl AsRef<Path>>) -> String {
    paths.into_iter().map(path).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_a_shell_would_read_otherwise_is_quoted() {
        for plain in ["bikes/fernhill-700", "a:b", "männer/x.csv", "-20:30"] {
            assert_eq!(word(plain), plain);
        }
        assert_eq!(word("my bike"), "'my bike'");
        assert_eq!(word("it's $HOME"), r"'it'\''s $HOME'");
        assert_eq!(word(""), "''");
        assert_eq!(paths(["a b", "c"]), "'a b' c");
    }

    #[cfg(unix)]
    #[test]
    fn a_shell_gives_back_what_was_quoted() {
        for text in
            ["my bike", "it's", "`x`", "a\\b\"c", "~/x", "$(y)", "*", "a\nb", "", "#x", "!1", "a=b", "{a,b}"]
        {
            let echo = format!("printf %s {}", word(text));
            let said = std::process::Command::new("sh").args(["-c", &echo]).output().expect("a shell");
            assert_eq!(String::from_utf8_lossy(&said.stdout), text, "{echo}");
        }
    }
}
