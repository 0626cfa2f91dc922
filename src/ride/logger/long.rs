//! A log with one row a value: the names in one of its columns are its titles.

use super::mapping::LongColumns;
use super::text::TextLog;
use crate::ride::RideError;
use crate::ride::columns::ReadingReport;
use crate::ride::source::{Cells, Found, ReadColumn, ReadLog, SourceLog, Stands, Title, Wanted, find};
use std::collections::HashMap;

/// A text log read name by name.
#[derive(Debug)]
pub(in crate::ride) struct LongLog<'t> {
    text: TextLog<'t>,
    /// Positions of name and value in the text.
    name: usize,
    value: usize,
    time: usize,
    /// The names, and behind them the title of the time.
    titles: Vec<Title>,
}

impl<'t> LongLog<'t> {
    /// Whether a row of titles has those that the layout names.
    pub fn are_titles(titles: &[Title], columns: &LongColumns, time: &str) -> bool {
        [&columns.name, &columns.value, time].iter().all(|title| find(titles, title) != Found::Nowhere)
    }

    /// Takes the names in the rows for titles.
    ///
    /// # Errors
    /// In words, when a title of the layout stands twice or a name changes its unit.
    pub fn new(text: TextLog<'t>, columns: &LongColumns, time: &str) -> Result<Self, String> {
        let at = |title: &str| match find(&text.titles, title) {
            Found::At(position) => Ok(position),
            Found::Nowhere => Err(format!("the title `{title}` is missing")),
            Found::Several => Err(format!("the title `{title}` appears twice")),
        };
        let (name, value, time) = (at(&columns.name)?, at(&columns.value)?, at(time)?);
        let unit = columns.unit.as_deref().map(at).transpose()?;
        let mut titles: Vec<Title> = Vec::new();
        let mut positions: HashMap<(&[u8], &[u8]), usize> = HashMap::new();
        let mut seen = ReadingReport::default();
        text.each_row(&[name, unit.unwrap_or(name)], &mut seen, &mut |_, fields, _| {
            let told: &[u8] = if unit.is_some() { fields[1] } else { b"" };
            positions.entry((fields[0], told)).or_insert_with(|| {
                let title = Title::new(&String::from_utf8_lossy(fields[0]));
                titles.push(title.with_unit(&String::from_utf8_lossy(told)));
                titles.len() - 1
            });
        });
        titles.push(text.titles[time].clone());
        Ok(Self { text, name, value, time, titles })
    }
}

impl SourceLog for LongLog<'_> {
    fn titles(&self) -> &[Title] {
        &self.titles
    }

    fn read(&self, wanted: &[Wanted<'_>]) -> Result<ReadLog, RideError> {
        let of_time = self.titles.len() - 1;
        let mut by_name: HashMap<&str, Vec<usize>> = HashMap::new();
        for (i, wanted) in wanted.iter().enumerate().filter(|(_, w)| w.position != of_time) {
            by_name.entry(self.titles[wanted.position].text.as_str()).or_default().push(i);
        }
        let time = wanted.iter().position(|w| w.position == of_time);
        let mut values: Vec<Vec<f64>> = vec![Vec::new(); wanted.len()];
        let mut rows: Vec<Vec<usize>> = vec![Vec::new(); wanted.len()];
        let mut report = ReadingReport::default();
        let decimal = self.text.dialect.decimal;
        let mut row = 0;
        let positions = [self.name, self.value, self.time];
        self.text.each_row(&positions, &mut report, &mut |line, fields, report| {
            let mut read = |i: usize, field: usize| {
                let wanted: &Wanted<'_> = &wanted[i];
                wanted.reading.value(fields[field], decimal).unwrap_or_else(|| {
                    let shown = String::from_utf8_lossy(fields[field]);
                    report.bad_value(line, positions[field] as u64 + 1, wanted.channel, &shown);
                    f64::NAN
                })
            };
            if let Some(time) = time {
                values[time].push(read(time, 2));
            }
            let name = std::str::from_utf8(fields[0]).ok().and_then(|name| by_name.get(name));
            for i in name.into_iter().flatten() {
                values[*i].push(read(*i, 1));
                rows[*i].push(row);
            }
            row += 1;
        });
        let columns = values.into_iter().zip(rows).enumerate().map(|(i, (values, rows))| {
            let stands = if Some(i) == time { Stands::InEveryRow } else { Stands::InRows(rows) };
            ReadColumn { cells: Cells::Numbers(values), stands }
        });
        Ok(ReadLog { columns: columns.collect(), report })
    }
}
