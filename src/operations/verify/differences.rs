//! Where two texts of one file differ: cells of a table, fields of a row, or the first line.

use schemars::JsonSchema;
use serde::Serialize;

/// One place where two texts of a file differ.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Difference {
    /// One-based line.
    pub line: usize,
    /// The row, such as `3000 rpm`; empty where only the line can be told.
    pub row: String,
    /// The column, such as `14 throttle_pct` or `after`; empty where only the line can be told.
    pub column: String,
    /// What should stand there.
    pub expected: String,
    /// What stands there.
    pub found: String,
}

/// The places where `found` differs from `expected`, in order.
///
/// Two tables of the same titles and size are compared cell by cell; of others, and of other files,
/// the first line that differs is told.
pub(super) fn differences(path: &str, expected: &str, found: &str) -> Vec<Difference> {
    if expected == found {
        return Vec::new();
    }
    let cells = path.ends_with(".csv").then(|| cells(expected, found)).flatten();
    cells.filter(|cells| !cells.is_empty()).unwrap_or_else(|| vec![first_line(expected, found)])
}

/// Field by field; `None` when the texts are not of one shape.
fn cells(expected: &str, found: &str) -> Option<Vec<Difference>> {
    // `split` and not `lines`: a line end that changed is a difference too.
    let (expected, found): (Vec<&str>, Vec<&str>) =
        (expected.split('\n').collect(), found.split('\n').collect());
    if expected.len() != found.len() || expected[0] != found[0] {
        return None;
    }
    let titles: Vec<&str> = expected[0].split(',').collect();
    let mut differing = Vec::new();
    for (i, (then, now)) in expected.iter().zip(&found).enumerate().skip(1) {
        let (then, now): (Vec<&str>, Vec<&str>) = (then.split(',').collect(), now.split(',').collect());
        if then.len() != now.len() {
            return None;
        }
        for (column, (a, b)) in then.iter().zip(&now).enumerate().filter(|(_, (a, b))| a != b) {
            let (row, column) = place(&titles, &then, column);
            let (expected, found) = ((*a).to_owned(), (*b).to_owned());
            differing.push(Difference { line: i + 1, row, column, expected, found });
        }
    }
    Some(differing)
}

/// How to name a field: by the breakpoints of a table, or by point and title of an evidence row.
fn place(titles: &[&str], row: &[&str], column: usize) -> (String, String) {
    let title = titles.get(column).copied().unwrap_or_default();
    let rpm = format!("{} rpm", row.first().copied().unwrap_or_default());
    match titles.first().and_then(|corner| corner.split_once('/')) {
        Some((_, load)) if column > 0 => (rpm, format!("{title} {load}")),
        Some(_) => (rpm, "rpm".to_owned()),
        None => match (titles.get(1), row.get(1)) {
            (Some(load), Some(value)) => (format!("{rpm}, {value} {load}"), title.to_owned()),
            _ => (rpm, title.to_owned()),
        },
    }
}

fn first_line(expected: &str, found: &str) -> Difference {
    let (mut then, mut now) = (expected.split('\n'), found.split('\n'));
    let mut line = 1;
    loop {
        match (then.next(), now.next()) {
            (Some(a), Some(b)) if a == b => line += 1,
            (a, b) => {
                let text = |side: Option<&str>| side.unwrap_or_default().to_owned();
                let (expected, found) = (text(a), text(b));
                return Difference { line, row: String::new(), column: String::new(), expected, found };
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_is_named_by_its_breakpoints() {
        let text = "rpm/throttle_pct,2,5\n1000,48.0,52.5\n1500,50.5,55.0\n";
        let found = differences("maps/a/fuel.csv", text, &text.replace("55.0", "54.0"));
        assert_eq!(found.len(), 1);
        let cell = &found[0];
        assert_eq!((cell.line, cell.row.as_str(), cell.column.as_str()), (3, "1500 rpm", "5 throttle_pct"));
        assert_eq!((cell.expected.as_str(), cell.found.as_str()), ("55.0", "54.0"));
    }

    #[test]
    fn a_row_of_evidence_is_named_by_its_point() {
        let text = "rpm,throttle_pct,before,after\n1000,2,48.0,48.5\n";
        let found = differences("evidence/a.csv", text, &text.replace("48.5", "49.5"));
        assert_eq!((found[0].row.as_str(), found[0].column.as_str()), ("1000 rpm, 2 throttle_pct", "after"));
    }

    #[test]
    fn texts_of_other_shapes_are_told_by_their_first_line() {
        let found = differences("rides.yaml", "a\nb\nc\n", "a\nx\nc\n");
        assert_eq!((found[0].line, found[0].expected.as_str(), found[0].found.as_str()), (2, "b", "x"));
        let cut = differences("maps/a/fuel.csv", "rpm/x,1\n1000,2\n", "rpm/x,1\n");
        assert_eq!((cut[0].line, cut[0].expected.as_str(), cut[0].found.as_str()), (2, "1000,2", ""));
        assert!(differences("x.csv", "same", "same").is_empty());
    }
}
