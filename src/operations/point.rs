//! Points of the history as a person names them.
//!
//! `r5` is a revision, `b2` a build (its last revision), `power` a slot (in the newest revision),
//! `r5:power` and `b2:power` a slot at a point. A name in; the revision and, where one is meant,
//! the slot out.

use super::error::OperationError;
use super::open::OpenBike;
use crate::bike::Bike;
use crate::ledger::Revision;
use crate::problem::nearest;
use crate::revision::revision_number;

/// Between a point and its slot.
const SLOT_SIGN: char = ':';

/// A point of the history.
#[derive(Debug, Clone)]
pub struct Point<'a> {
    /// The revision.
    pub revision: &'a Revision,
    /// Only this slot of it.
    pub slot: Option<String>,
}

impl Point<'_> {
    /// How to name it: `r5` or `r5:power`.
    pub fn name(&self) -> String {
        match &self.slot {
            Some(slot) => format!("{}{SLOT_SIGN}{slot}", self.revision.name()),
            None => self.revision.name(),
        }
    }
}

impl Point<'_> {
    /// The same point, of the slot that was asked for where one was.
    ///
    /// # Errors
    /// When the point names another slot, or had none of that name.
    pub(super) fn of_slot(self, bike: &OpenBike, slot: Option<&str>) -> Result<Self, OperationError> {
        match (&self.slot, slot) {
            (Some(named), Some(slot)) if named != slot => Err(OperationError::failed(
                format!("slot `{named}` and slot `{slot}` are both asked for"),
                "name one of them",
            )),
            (_, Some(slot)) => Ok(Self { slot: Some(slot_at(bike, self.revision, slot)?), ..self }),
            (_, None) => Ok(self),
        }
    }
}

/// A slot on one of two points means the same slot on the other.
///
/// # Errors
/// When the other had no such slot.
pub(super) fn on_both(
    bike: &OpenBike,
    from: &mut Point<'_>,
    to: &mut Point<'_>,
) -> Result<(), OperationError> {
    match (&from.slot, &to.slot) {
        (Some(slot), None) => to.slot = Some(slot_at(bike, to.revision, slot)?),
        (None, Some(slot)) => from.slot = Some(slot_at(bike, from.revision, slot)?),
        _ => {}
    }
    Ok(())
}

/// The slots of two points that are held against each other: those that were named, else those both have.
pub(super) fn slot_pairs(
    [then, now]: [&Bike; 2],
    from: Option<String>,
    to: Option<String>,
) -> Vec<(String, String)> {
    match (from, to) {
        (Some(before), Some(after)) => vec![(before, after)],
        _ => {
            let shared = now.slots.iter().filter(|slot| then.slots.contains(slot));
            shared.map(|slot| (slot.clone(), slot.clone())).collect()
        }
    }
}

/// The point that a name means.
///
/// A name like r5 always means the revision.
///
/// # Errors
/// When nothing has that name, or both a build and a slot have it.
pub fn find_point<'a>(bike: &'a OpenBike, name: &str) -> Result<Point<'a>, OperationError> {
    if bike.revisions.is_empty() {
        return Err(no_revisions());
    }
    match name.split_once(SLOT_SIGN) {
        Some((point, slot)) => {
            let revision = match revision_number(point) {
                Some(_) => find_revision(bike, point)?,
                None => build_end(bike, point).unwrap_or_else(|| Err(unknown(bike, point)))?,
            };
            let slot = slot_at(bike, revision, slot)?;
            Ok(Point { revision, slot: Some(slot) })
        }
        None if revision_number(name).is_some() => {
            Ok(Point { revision: find_revision(bike, name)?, slot: None })
        }
        None => build_or_slot(bike, name),
    }
}

/// A revision by its name.
///
/// # Errors
/// When there is none of that name.
pub fn find_revision<'a>(bike: &'a OpenBike, name: &str) -> Result<&'a Revision, OperationError> {
    find_number(&bike.revisions, name).map_err(|error| match (error, bike.cut_off()) {
        (OperationError::Failed { what, .. }, Some(hint)) => OperationError::failed(what, hint),
        (error, _) => error,
    })
}

/// A revision by its name, among revisions newest first.
pub(super) fn find_number<'a>(revisions: &'a [Revision], name: &str) -> Result<&'a Revision, OperationError> {
    let found = revision_number(name).and_then(|n| revisions.iter().find(|r| r.record.number == n));
    found.ok_or_else(|| {
        let what = match revision_number(name) {
            Some(_) => format!("there is no revision {name}"),
            None => format!("`{name}` is not a revision; they are called r1, r2 …"),
        };
        match revisions.first() {
            None => OperationError::failed(what, "this bike has no revisions yet; `rideloop run` makes them"),
            Some(newest) => OperationError::failed(what, format!("the newest is {}", newest.name())),
        }
    })
}

/// The error where a bike has nothing to look at yet.
pub(super) fn no_revisions() -> OperationError {
    OperationError::failed("this bike has no revisions yet", "`rideloop run` makes them")
}

/// A slot as it was called at a revision.
///
/// # Errors
/// When the bike had no such slot then.
pub(super) fn slot_at(bike: &OpenBike, revision: &Revision, slot: &str) -> Result<String, OperationError> {
    let (then, _) = bike.bike_at(&revision.commit)?;
    if then.slots.iter().any(|s| s == slot) {
        return Ok(slot.to_owned());
    }
    Err(OperationError::failed(
        format!("{} has no slot `{slot}`", revision.name()),
        format!("it has {}", then.slots.join(", ")),
    ))
}

/// The last revision of a build; `None` when there is no such build, an error
/// when it has no revision yet.
fn build_end<'a>(bike: &'a OpenBike, name: &str) -> Option<Result<&'a Revision, OperationError>> {
    if let Some(last) = bike.revisions.iter().find(|r| r.record.build == name) {
        return Some(Ok(last));
    }
    let known =
        bike.folder.builds.current() == name || bike.folder.builds.list().iter().any(|b| b.build == name);
    known.then(|| {
        Err(OperationError::failed(
            format!("build {name} has no revision yet"),
            "ride on it and `rideloop run`; until then its map is that of the build before",
        ))
    })
}

fn build_or_slot<'a>(bike: &'a OpenBike, name: &str) -> Result<Point<'a>, OperationError> {
    let newest = bike.newest().ok_or_else(no_revisions)?;
    let is_slot = slot_at(bike, newest, name).is_ok();
    match (build_end(bike, name), is_slot) {
        (Some(build), true) => {
            let newest = newest.name();
            let of_build = match build {
                Ok(last) => format!("{} for the build's last revision", last.name()),
                Err(_) => "nothing for the build, which has no revision yet".to_owned(),
            };
            Err(OperationError::failed(
                format!("`{name}` is both a build and a slot"),
                format!("write {newest}{SLOT_SIGN}{name} for the slot, {of_build}"),
            ))
        }
        (Some(build), false) => Ok(Point { revision: build?, slot: None }),
        (None, true) => Ok(Point { revision: newest, slot: Some(name.to_owned()) }),
        (None, false) => Err(unknown(bike, name)),
    }
}

fn unknown(bike: &OpenBike, name: &str) -> OperationError {
    if bike.folder.bike.slots.iter().any(|slot| slot == name) {
        return OperationError::failed(
            format!("`{name}` is a slot; before the `{SLOT_SIGN}` stands a revision or a build"),
            format!("such as {}{SLOT_SIGN}{name}", bike.newest_name()),
        );
    }
    let mut builds: Vec<&str> = bike.revisions.iter().map(|r| r.record.build.as_str()).collect();
    builds.dedup();
    builds.reverse();
    let slots = bike.folder.bike.slots.iter().map(String::as_str);
    let hint = match nearest(name, slots.clone().chain(builds.iter().copied())) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!(
            "the newest revision is {}; builds: {}; slots: {}; a slot at a point: r1{SLOT_SIGN}{}",
            bike.newest_name(),
            builds.join(", "),
            slots.collect::<Vec<_>>().join(", "),
            bike.folder.bike.slots[0],
        ),
    };
    OperationError::failed(format!("`{name}` is no revision, build or slot"), hint)
}
