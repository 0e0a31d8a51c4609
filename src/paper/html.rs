//! A leaf as one self-contained page for printing on A4: no script, no outside resource, black on white.
//!
//! Invariant: every string passes [`shown()`](crate::value::shown()) and the template's own escaping; what was given
//! from outside stands in `<bdi>`, so that names in right-to-left scripts leave the sentence around them alone.

use super::leaf::{Block, Leaf, Look, Section};
use super::words::{Phrase, Run};
use crate::value::shown;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Nothing may be fetched or run; the one style sheet is in the page.
const CONTENT_POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// As much of the foot as fits beside the page number.
const FOOT_LETTERS: usize = 110;

/// The look of the pages.
const STYLE: &str = include_str!("paper.css");

/// The leaf as a page.
pub fn html(leaf: &Leaf) -> String {
    let look = match leaf.look {
        Look::Letter => "letter",
        Look::Form => "form",
        Look::Tag => "tag",
        Look::Slip => "slip",
    };
    let page = html! {
        (DOCTYPE)
        html lang=(leaf.language.tag()) {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(CONTENT_POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { (plain(&leaf.title)) }
                style { (PreEscaped(STYLE)) (PreEscaped(foot(&leaf.foot))) }
            }
            body class=(look) {
                @if let Some(practice) = &leaf.practice {
                    div class="behind" aria-hidden="true" { (runs(practice)) }
                    p class="practice" { (runs(practice)) }
                }
                header {
                    p { (runs(&leaf.head)) }
                    h1 { (runs(&leaf.title)) }
                }
                main { @for section in &leaf.sections { (section_of(section)) } }
                @if let Some(practice) = &leaf.practice {
                    p class="practice" { (runs(practice)) }
                }
            }
        }
    };
    page.into_string() + "\n"
}

/// The foot of every page, as a rule of the style sheet. Whatever is no plain letter or digit is written by its number,
/// which the space behind it ends (CSS Syntax 3, 4.3.7), so that no name can end the string, the rule or the sheet.
fn foot(phrase: &Phrase) -> String {
    let mut text = String::new();
    for c in plain(phrase).chars().take(FOOT_LETTERS) {
        if c.is_ascii_alphanumeric() || c == ' ' {
            text.push(c);
        } else {
            text.push_str(&format!("\\{:x} ", u32::from(c)));
        }
    }
    format!("\n@page {{ @bottom-left {{ content: \"{text}\"; font: 8pt sans-serif; }} }}\n")
}

fn section_of(section: &Section) -> Markup {
    html! {
        section class=[section.new_page.then_some("new-page")] {
            @if let Some(heading) = &section.heading { h2 { (runs(heading)) } }
            @for block in &section.blocks { (block_of(block)) }
        }
    }
}

fn block_of(block: &Block) -> Markup {
    match block {
        Block::Para(phrase) => html! { p { (runs(phrase)) } },
        Block::Loud(orders) => {
            html! { ul class="loud" { @for order in orders { li { (runs(order)) } } } }
        }
        Block::Large { label, value } => html! {
            p class="large" { span class="label" { (runs(label)) } " " span class="value" { (runs(value)) } }
        },
        Block::Notice(phrase) => html! { p class="notice" { (runs(phrase)) } },
        Block::Facts(facts) => html! {
            dl { @for (name, value) in facts { div { dt { (runs(name)) } dd { (runs(value)) } } } }
        },
        Block::List(items) => html! { ul { @for item in items { li { (runs(item)) } } } },
        Block::Steps(items) => html! { ol { @for item in items { li { (runs(item)) } } } },
        Block::Table { head, rows } => html! {
            table {
                thead { tr { @for cell in head { th scope="col" { (runs(cell)) } } } }
                tbody { @for row in rows { tr { @for cell in row { td { (runs(cell)) } } } } }
            }
        },
        Block::Typed(typed) => html! { p class="typed" { code { (shown(typed)) } } },
        Block::Sign { above, lines } => html! {
            div class="sign" {
                @if let Some(above) = above { p { (runs(above)) } }
                div class="lines" { @for line in lines { span { (runs(line)) } } }
            }
        },
        Block::Code { payload, caption } => html! {
            @if let Some(square) = square(payload) {
                div class="code" { (square) p { (runs(caption)) } }
            }
        },
    }
}

fn runs(phrase: &Phrase) -> Markup {
    html! {
        @for run in &phrase.0 {
            @match run {
                Run::Said(text) => { (shown(text)) }
                Run::Given(text) => { bdi { (shown(text)) } }
                Run::Amount(text) => { span class="amount" { (shown(text)) } }
                Run::Exact(text) => { bdi { code { (shown(text)) } } }
            }
        }
    }
}

fn plain(phrase: &Phrase) -> String {
    let mut out = String::new();
    for run in &phrase.0 {
        match run {
            Run::Said(text) | Run::Given(text) | Run::Amount(text) | Run::Exact(text) => {
                out.push_str(&shown(text));
            }
        }
    }
    out
}

/// The square as one path, with the quiet border of four modules that the standard asks for (ISO/IEC 18004, from memory).
/// What does not fit into a square is left out: the text beside it says the same.
fn square(payload: &str) -> Option<Markup> {
    let code =
        qrcode::QrCode::with_error_correction_level(payload.as_bytes(), qrcode::EcLevel::M).ok()?;
    let wide = code.width();
    let mut path = String::new();
    for (row, line) in code.to_colors().chunks(wide.max(1)).enumerate() {
        for (column, colour) in line.iter().enumerate() {
            if *colour == qrcode::Color::Dark {
                path.push_str(&format!("M{} {}h1v1h-1z", column + 4, row + 4));
            }
        }
    }
    let side = wide + 8;
    Some(html! {
        svg role="img" aria-label="QR" viewBox=(format!("0 0 {side} {side}"))
            xmlns="http://www.w3.org/2000/svg" shape-rendering="crispEdges" {
            path d=(path) {}
        }
    })
}
