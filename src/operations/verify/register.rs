//! The register against the rides that lie in the folder and the revisions that name them.

use super::{Scene, Trouble, TroubleKind, VerifyReport};
use crate::bike::{REGISTER_FILE, RIDES_FOLDER};
use crate::ledger::Revision;
use crate::ride::{Register, RegisteredRide};
use std::path::Path;

pub(super) fn look(scene: &Scene<'_>, report: &mut VerifyReport) {
    let Some(register) = read(scene, report) else { return };
    report.rides = register.rides().len();
    for ride in register.rides() {
        file(scene, ride, report);
        names(scene, ride, report);
        fed(scene, ride, report);
    }
    for revision in &scene.revisions {
        unregistered(scene, revision, &register, report);
    }
    let found = |ride: &RegisteredRide| scene.rides.iter().any(|(sha256, _)| *sha256 == ride.sha256);
    let any_missing = register.rides().iter().any(|ride| !found(ride));
    if any_missing && !register.rides().iter().any(found) {
        report.notes.push(format!(
            "not one of the registered rides lies below {RIDES_FOLDER}/: rides are kept outside git, so a clone does \
             not bring them. Copy {RIDES_FOLDER}/ from the bike's own folder or a backup; without them tables can \
             be read but not replayed"
        ));
    }
}

/// The register of the newest commit; a file in the folder that differs is told of elsewhere.
fn read(scene: &Scene<'_>, report: &mut VerifyReport) -> Option<Register> {
    let bytes = scene.store.read_file(scene.head()?, REGISTER_FILE);
    let read = match bytes {
        Ok(None) => Ok(Register::default()),
        Ok(Some(bytes)) => Register::parse(Path::new(REGISTER_FILE), &String::from_utf8_lossy(&bytes))
            .map_err(|problems| problems.to_string()),
        Err(error) => Err(error.to_string()),
    };
    match read {
        Ok(register) => Some(register),
        Err(why) => {
            let what = format!("the register of the newest commit cannot be read: {why}");
            let to_do = format!("`git log -p -- {REGISTER_FILE}` shows when it still could");
            let trouble = Trouble::new(TroubleKind::RegisterDiffers, what, to_do);
            report.troubles.push(trouble.at(REGISTER_FILE));
            None
        }
    }
}

/// The ride's own file: found by its hash, whatever its name now.
fn file(scene: &Scene<'_>, ride: &RegisteredRide, report: &mut VerifyReport) {
    if scene.rides.iter().any(|(sha256, _)| *sha256 == ride.sha256) {
        return;
    }
    let path = format!("{RIDES_FOLDER}/{}", ride.file);
    let rests = match ride.used_in.as_slice() {
        [] => String::new(),
        fed => format!("; {} on it", rest(fed)),
    };
    let start = ride.sha256.get(..12).unwrap_or(&ride.sha256);
    let changed = scene.rides.iter().any(|(_, file)| file.name == ride.file);
    let trouble = match changed {
        true => Trouble::new(
            TroubleKind::RideChanged,
            format!(
                "changed since it was registered: its bytes are no longer those of sha256 {start}…{rests}"
            ),
            "put the file back from the logger or a backup; a log that was changed on purpose is another ride and \
             needs another name",
        ),
        false if ride.used_in.is_empty() => {
            report.notes.push(format!("{path} is registered but gone; it fed no revision"));
            return;
        }
        false => Trouble::new(
            TroubleKind::RideMissing,
            format!("is gone: no file below {RIDES_FOLDER}/ has sha256 {start}…{rests}"),
            format!(
                "rides lie outside git: copy it back into {RIDES_FOLDER}/ from the logger, a backup or another copy"
            ),
        ),
    };
    report.troubles.push(trouble.at(path));
}

/// `r2 rests`, `r2, r3 rest`.
fn rest(revisions: &[String]) -> String {
    format!("{} {}", revisions.join(", "), if revisions.len() == 1 { "rests" } else { "rest" })
}

/// Revisions the entry names that the history lacks.
fn names(scene: &Scene<'_>, ride: &RegisteredRide, report: &mut VerifyReport) {
    let named = ride.used_in.iter().chain([&ride.revision]).chain(&ride.set_aside_in);
    let mut lost: Vec<&str> = named.map(String::as_str).filter(|name| !scene.holds(name)).collect();
    lost.dedup();
    for name in lost {
        let what = format!("the entry of {} names {name}, which the history does not hold", ride.file);
        let to_do = "`git log --oneline --all` shows whether the revision is still there; rides.yaml is never edited by hand";
        report
            .troubles
            .push(Trouble::new(TroubleKind::UnknownRevision, what, to_do).of(name).at(REGISTER_FILE));
    }
}

/// `used_in` against the `Rides` trailers of those revisions.
fn fed(scene: &Scene<'_>, ride: &RegisteredRide, report: &mut VerifyReport) {
    for revision in scene.revisions.iter().filter(|r| ride.used_in.contains(&r.name())) {
        if !revision.record.rides.iter().any(|r| r.sha256 == ride.sha256) {
            let what =
                format!("says that {} fed {}, whose commit does not name it", ride.file, revision.name());
            report.troubles.push(contradiction(what, revision));
        }
    }
}

/// Rides that a revision names and the register does not count for it.
fn unregistered(scene: &Scene<'_>, revision: &Revision, register: &Register, report: &mut VerifyReport) {
    let name = revision.name();
    for ride in &revision.record.rides {
        match register.by_hash(&ride.sha256) {
            Some(known) if known.used_in.contains(&name) => {}
            Some(_) => {
                let what = format!("does not say that {} fed {name}, whose commit names it", ride.file);
                report.troubles.push(contradiction(what, revision));
            }
            None => {
                let what = format!("does not know the ride {}, which the commit of {name} names", ride.file);
                report.troubles.push(contradiction(what, revision));
                if !scene.rides.iter().any(|(sha256, _)| *sha256 == ride.sha256) {
                    let trouble = Trouble::new(
                        TroubleKind::RideMissing,
                        format!("is gone; {name} rests on it"),
                        format!(
                            "copy it back into {RIDES_FOLDER}/ from the logger, a backup or another copy"
                        ),
                    );
                    report.troubles.push(trouble.at(format!("{RIDES_FOLDER}/{}", ride.file)));
                }
            }
        }
    }
}

fn contradiction(what: String, revision: &Revision) -> Trouble {
    let to_do = format!(
        "`git log -p -- {REGISTER_FILE}` shows where the two parted; `git show {}:{REGISTER_FILE}` is the register \
         as that revision left it",
        revision.name()
    );
    Trouble::new(TroubleKind::RegisterDiffers, what, to_do).of(revision.name()).at(REGISTER_FILE)
}
