//! Where work is kept between commands: by the environment, or where the system keeps such things.

use std::ffi::OsString;
use std::path::PathBuf;

/// A folder, or `off`.
pub(super) const CHOICE: &str = "RIDELOOP_CACHE";
const OFF: &str = "off";
const NAME: &str = "rideloop";

/// The folder, by this machine's environment; `None` where nothing is to be kept.
pub(super) fn cache_folder() -> Option<PathBuf> {
    by_environment(&|name| std::env::var_os(name), std::env::consts::OS)
}

/// # Source
/// XDG Base Directory Specification 0.8 (a relative path is to be ignored); Apple, File
/// System Programming Guide, "The Library Directory"; Microsoft, Known Folders,
/// `FOLDERID_LocalAppData`.
fn by_environment(variable: &dyn Fn(&str) -> Option<OsString>, system: &str) -> Option<PathBuf> {
    let set = |name: &str| variable(name).filter(|value| !value.is_empty());
    if let Some(choice) = set(CHOICE) {
        return (!choice.eq_ignore_ascii_case(OFF)).then(|| PathBuf::from(choice));
    }
    let folder = |name: &str| set(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let base = match system {
        "windows" => folder("LOCALAPPDATA"),
        "macos" => folder("XDG_CACHE_HOME").or_else(|| Some(folder("HOME")?.join("Library/Caches"))),
        _ => folder("XDG_CACHE_HOME").or_else(|| Some(folder("HOME")?.join(".cache"))),
    };
    base.map(|base| base.join(NAME))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(set: &[(&str, &str)], system: &str) -> Option<String> {
        let variable =
            |name: &str| set.iter().find(|(known, _)| *known == name).map(|(_, value)| OsString::from(value));
        by_environment(&variable, system).map(|path| path.display().to_string())
    }

    #[test]
    fn the_environment_says_where_work_is_kept() {
        let home = ("HOME", "/home/rider");
        let xdg = ("XDG_CACHE_HOME", "/big/cache");
        let told = |set: &[(&str, &str)]| folder(set, "linux");
        assert_eq!(told(&[home]).as_deref(), Some("/home/rider/.cache/rideloop"));
        assert_eq!(told(&[home, xdg]).as_deref(), Some("/big/cache/rideloop"));
        assert_eq!(told(&[home, ("XDG_CACHE_HOME", "big")]).as_deref(), Some("/home/rider/.cache/rideloop"));
        assert_eq!(told(&[home, xdg, (CHOICE, "mine")]).as_deref(), Some("mine"));
        assert_eq!(told(&[home, xdg, (CHOICE, "")]).as_deref(), Some("/big/cache/rideloop"));
        assert_eq!(told(&[home, xdg, (CHOICE, OFF)]), None);
        assert_eq!(told(&[home, xdg, (CHOICE, "OFF")]), None);
        assert_eq!(told(&[]), None);
        assert_eq!(folder(&[home], "macos").as_deref(), Some("/home/rider/Library/Caches/rideloop"));
        assert_eq!(folder(&[home], "windows"), None);
    }
}
