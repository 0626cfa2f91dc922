//! The frame of a page: head, contents, the panel of a cell, data and scripts.
//!
//! A page makes no request: its policy forbids everything but its own style and the
//! two scripts whose hashes it names.

use super::PageContext;
use super::coding::base64;
use super::colour;
use super::data::{PageData, json};
use super::parts::number_css;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

/// The chart library; `assets/README.md` says what it is and how it is rebuilt.
const CHARTS: &str = include_str!("../../../assets/plotly-rideloop.min.js");
const SCRIPT: &str = include_str!("../../../assets/page.js");
const STYLE: &str = include_str!("../../../assets/page.css");

/// Where the links at the head lead, and their words.
pub(super) type Contents = Vec<(String, String)>;

/// A whole page; without data it has no script and no panel of a cell.
pub(super) fn shell(
    title: &str,
    head: &Markup,
    contents: &Contents,
    body: &Markup,
    data: Option<&PageData>,
    context: &PageContext<'_>,
) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy(data.is_some()));
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="generator" content=(context.tool);
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(colour::css())) (PreEscaped(number_css())) }
            }
            body {
                a.skip href="#summary" { "To the summary" }
                header {
                    div.title {
                        h1 { (title) }
                        @if data.is_some() { button.js-only type="button" id="theme" { "Dark" } }
                    }
                    (head)
                    nav aria-label="Contents" {
                        ul { @for (id, words) in contents { li { a href={ "#" (id) } { (words) } } } }
                    }
                }
                main { (body) }
                @if data.is_some() { (panel()) }
                footer { p { "Made by " (context.tool) " on " (context.made) ". This file needs no network." } }
                @if let Some(data) = data {
                    script type="application/json" id="data" { (PreEscaped(json(data))) }
                    script { (PreEscaped(CHARTS)) }
                    script { (PreEscaped(SCRIPT)) }
                }
            }
        }
    };
    page.into_string()
}

/// The panel that shows what stands behind a cell.
fn panel() -> Markup {
    html! {
        aside id="panel" aria-labelledby="panel-title" tabindex="-1" hidden {
            div.title {
                h2 id="panel-title" {}
                button type="button" id="panel-close" aria-label="Close the panel" { "Close" }
            }
            div id="panel-body" {}
            div.plot id="panel-chart" role="img" aria-label="The cell's value through the revisions" {}
            div id="panel-list" {}
        }
    }
}

/// # Source
/// W3C, Content Security Policy Level 3: hashes of inline scripts.
fn policy(with_scripts: bool) -> String {
    let hash = |script: &str| base64(&Sha256::digest(script.as_bytes()));
    let scripts = match with_scripts {
        true => format!("'sha256-{}' 'sha256-{}'", hash(CHARTS), hash(SCRIPT)),
        false => "'none'".to_owned(),
    };
    format!(
        "default-src 'none'; style-src 'unsafe-inline'; script-src {scripts}; img-src data: blob:; base-uri 'none'; \
         form-action 'none'"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_script_holds_what_would_end_it_or_ask_the_network_by_itself() {
        for script in [CHARTS, SCRIPT] {
            assert!(!script.contains("</script") && !script.contains("<!--"));
            assert!(!script.contains("new Function(") && !script.contains(" eval("));
        }
        assert!(!STYLE.contains("</style") && !STYLE.contains("url(") && !STYLE.contains("@import"));
    }
}
