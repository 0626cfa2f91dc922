//! Small parts that both pages are put together from.

use crate::operations::HistoryEntry;
use maud::{Markup, html};

/// A column of a list.
#[derive(Clone, Copy)]
pub(super) enum Column {
    /// Words.
    Text(&'static str),
    /// Numbers, which stand at the right.
    Number(&'static str),
}

impl Column {
    fn title(self) -> &'static str {
        match self {
            Column::Text(title) | Column::Number(title) => title,
        }
    }

    fn is_number(self) -> bool {
        matches!(self, Column::Number(_))
    }
}

/// A list of more rows scrolls in a box of its own.
const LONG: usize = 60;

/// A list as a table in a box that scrolls by itself; the first column stays in view.
pub(super) fn list(name: &str, columns: &[Column], rows: Vec<Vec<Markup>>) -> Markup {
    let long = rows.len() > LONG;
    // Named once for the table, not in every cell: a long list weighs half.
    let numbers = columns.iter().enumerate().filter(|(_, c)| c.is_number());
    let class: Vec<String> = numbers.map(|(i, _)| format!("n{}", i + 1)).collect();
    let class = format!("list {}", class.join(" "));
    html! {
        div.scroll.long[long] tabindex="0" role="group" aria-label=(name) {
            table class=(class.trim_end()) aria-label=(name) {
                thead { tr {
                    @for column in columns { th scope="col" { (column.title()) } }
                } }
                tbody {
                    @for row in rows { tr {
                        @for (i, cell) in row.into_iter().enumerate() {
                            @if i == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                        }
                    } }
                }
            }
        }
    }
}

/// A list that is folded away.
pub(super) fn folded(title: &str, columns: &[Column], rows: Vec<Vec<Markup>>) -> Markup {
    html! { details { summary { (title) } (list(title, columns, rows)) } }
}

/// The style rules that put the numbers of a list to the right, column by column.
pub(super) fn number_css() -> String {
    /// Columns of the widest list.
    const MOST_COLUMNS: usize = 16;
    let column = |n: usize| format!(".n{n} tr>:nth-child({n})");
    let columns: Vec<String> = (1..=MOST_COLUMNS).map(column).collect();
    format!("{}{{text-align:right;white-space:nowrap}}\n", columns.join(","))
}

/// Text as a cell of a list.
pub(super) fn text(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}

/// The day of a revision.
pub(super) fn day(entry: &HistoryEntry) -> &str {
    entry.time.get(..10).unwrap_or(&entry.time)
}

/// A person's name, without the address: pages are passed on.
pub(super) fn who(author: &str) -> &str {
    author.split(" <").next().unwrap_or(author)
}

/// How many letters of a hash are shown.
const SHORT_HASH: usize = 10;

/// The beginning of a commit or a hash.
pub(super) fn short_hash(hash: &str) -> &str {
    hash.get(..SHORT_HASH).unwrap_or(hash)
}

/// The summary without the revision's name, which stands beside it.
pub(super) fn told(entry: &HistoryEntry) -> &str {
    entry.summary.strip_prefix(&entry.revision).unwrap_or(&entry.summary).trim_start()
}

/// A box of the page's head: what, and the answer.
pub(super) fn fact(what: &str, answer: Markup) -> Markup {
    html! { div { dt { (what) } dd { (answer) } } }
}
