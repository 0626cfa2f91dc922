//! Past revisions, each distinct file read once.
//!
//! A season of hundreds of revisions holds the same settings and often the same
//! tables again and again; git names equal bytes equally, so they are parsed once.

use super::error::OperationError;
use super::open::{CommitFiles, OpenBike};
use crate::bike::{BIKE_FILE, Bike, FuelTableKind, SlotTables, TableRole, fuel_path};
use crate::evidence::{EvidenceRow, evidence_path, parse};
use crate::table::Table;
use crate::units;
use std::cell::RefCell;
use std::collections::HashMap;
use std::path::Path;
use std::rc::Rc;

/// Reads past revisions of a bike.
pub(super) struct Past<'a> {
    bike: &'a OpenBike,
    bikes: RefCell<HashMap<String, Rc<Bike>>>,
    fuel: RefCell<HashMap<(String, String), Rc<Table>>>,
    others: RefCell<HashMap<(String, String), Rc<Table>>>,
}

impl<'a> Past<'a> {
    pub(super) fn new(bike: &'a OpenBike) -> Self {
        Self { bike, bikes: RefCell::default(), fuel: RefCell::default(), others: RefCell::default() }
    }

    fn id(&self, commit: &str, path: &str) -> Result<Option<String>, OperationError> {
        let store = self.bike.store.as_ref().expect("a commit comes from a repository");
        Ok(store.file_id(commit, path)?)
    }

    /// bike.yaml at a commit.
    ///
    /// # Errors
    /// When it cannot be read any more.
    pub(super) fn bike_yaml(&self, commit: &str) -> Result<(String, Rc<Bike>), OperationError> {
        let id = self.id(commit, BIKE_FILE)?.unwrap_or_default();
        if let Some(known) = self.bikes.borrow().get(&id) {
            return Ok((id, Rc::clone(known)));
        }
        let read = Rc::new(self.bike.bike_at(commit)?.0);
        self.bikes.borrow_mut().insert(id.clone(), Rc::clone(&read));
        Ok((id, read))
    }

    /// The fuel table of a slot at a commit, with what its cells held then; `None`
    /// where the slot did not exist yet.
    ///
    /// # Errors
    /// When it cannot be read any more.
    pub(super) fn fuel(
        &self,
        commit: &str,
        slot: &str,
    ) -> Result<Option<(FuelTableKind, Rc<Table>)>, OperationError> {
        let (bike_id, bike) = self.bike_yaml(commit)?;
        let kind = bike.controller.fuel_table;
        let Some(id) = self.id(commit, &fuel_path(slot))? else { return Ok(None) };
        let key = (bike_id, id);
        if let Some(known) = self.fuel.borrow().get(&key) {
            return Ok(Some((kind, Rc::clone(known))));
        }
        let store = self.bike.store.as_ref().expect("a commit comes from a repository");
        let table = Rc::new(SlotTables::read_fuel(slot, &bike, &CommitFiles { store, commit })?);
        self.fuel.borrow_mut().insert(key, Rc::clone(&table));
        Ok(Some((kind, table)))
    }

    /// The mixture or spark table of a slot at a commit; `None` where there is none.
    ///
    /// # Errors
    /// When it cannot be read any more.
    pub(super) fn other(
        &self,
        role: TableRole,
        commit: &str,
        slot: &str,
    ) -> Result<Option<Rc<Table>>, OperationError> {
        let (bike_id, bike) = self.bike_yaml(commit)?;
        let Some(id) = self.id(commit, &role.path(slot))? else { return Ok(None) };
        let key = (format!("{bike_id} {}", role.name()), id);
        if let Some(known) = self.others.borrow().get(&key) {
            return Ok(Some(Rc::clone(known)));
        }
        let store = self.bike.store.as_ref().expect("a commit comes from a repository");
        let read = SlotTables::read_table(role, slot, &bike, &CommitFiles { store, commit })?;
        let Some(table) = read.map(Rc::new) else { return Ok(None) };
        self.others.borrow_mut().insert(key, Rc::clone(&table));
        Ok(Some(table))
    }

    /// Whether any fuel table that was read so far is such a one.
    pub(super) fn any_fuel(&self, is_one: impl Fn(&Table) -> bool) -> bool {
        self.fuel.borrow().values().any(|table| is_one(table))
    }

    /// The evidence of a slot as a commit holds it; empty when there is none.
    ///
    /// # Errors
    /// When it is there and cannot be read.
    pub(super) fn evidence(&self, commit: &str, slot: &str) -> Result<Vec<EvidenceRow>, OperationError> {
        let (_, bike) = self.bike_yaml(commit)?;
        let path = evidence_path(slot);
        match self.text(commit, &path)? {
            Some(text) => Ok(parse(Path::new(&path), &text, bike.controller.load)?),
            None => Ok(Vec::new()),
        }
    }

    /// The evidence of one cell as a commit holds it.
    ///
    /// # Errors
    /// When it is there and cannot be read.
    pub(super) fn evidence_of_cell(
        &self,
        commit: &str,
        slot: &str,
        (rpm, load): (f64, f64),
    ) -> Result<Option<EvidenceRow>, OperationError> {
        let (_, bike) = self.bike_yaml(commit)?;
        let path = evidence_path(slot);
        let Some(text) = self.text(commit, &path)? else { return Ok(None) };
        // Only the line that is asked for is read.
        let begin = format!("{},{},", units::plain(rpm), units::plain(load));
        let titles = text.lines().next().unwrap_or_default();
        let Some(line) = text.lines().find(|line| line.starts_with(&begin)) else { return Ok(None) };
        let rows = parse(Path::new(&path), &format!("{titles}\n{line}\n"), bike.controller.load)?;
        Ok(rows.into_iter().next())
    }

    /// A file of a commit as text.
    ///
    /// # Errors
    /// When it cannot be read.
    pub(super) fn text(&self, commit: &str, path: &str) -> Result<Option<String>, OperationError> {
        let store = self.bike.store.as_ref().expect("a commit comes from a repository");
        let bytes = store.read_file(commit, path)?;
        Ok(bytes.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()))
    }
}
