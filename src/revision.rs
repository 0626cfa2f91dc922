//! The names of revisions: r1, r2 …

/// The name of a revision.
pub fn revision_name(number: u32) -> String {
    format!("r{number}")
}

/// The number behind a name; `None` when it is no revision's name.
pub fn revision_number(name: &str) -> Option<u32> {
    let digits = name.strip_prefix('r')?;
    let plain = !digits.starts_with('0') && digits.bytes().all(|b| b.is_ascii_digit());
    plain.then(|| digits.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_numbers_belong_together() {
        assert_eq!(revision_number("r12"), Some(12));
        assert_eq!(revision_name(12), "r12");
        for name in ["r0", "12", "r+2", "r", "r012", "r99999999999"] {
            assert_eq!(revision_number(name), None, "{name}");
        }
    }
}
