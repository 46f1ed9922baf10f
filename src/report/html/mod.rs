//! The report as one HTML file that needs nothing beside itself.

mod bands;
mod lines;
mod maps;
mod markup;
mod picture;
mod rails;
mod ruler;
mod slopes;
mod trace;

use std::fmt::Write as _;

use base64::prelude::{BASE64_STANDARD, Engine as _};
use sha2::{Digest as _, Sha256};

use super::Told;
use super::document::{Block, Curves, Document, Section};
use crate::diagnostic::Result;
use markup::{escape, facts, mark, note, spans, table, verdict};

pub use picture::{Picture, pictures};

const STYLE: &str = include_str!("style.css");
/// Shows the figures of a band under the pointer or at the arrow keys; the page
/// says the same without it.
const SCRIPT: &str = include_str!("values.js");

/// The report as HTML: sentences, pictures, tables, and what they rest on.
///
/// # Errors
/// Those of [`Document::of`].
pub fn html<'a>(told: impl Into<Told<'a>>) -> Result<String> {
    Ok(page(&Document::of(told)?))
}

fn page(document: &Document) -> String {
    let mut out = String::from("<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">");
    let _ = write!(
        out,
        "<meta http-equiv=\"Content-Security-Policy\" content=\"{}\">\
         <meta name=\"referrer\" content=\"no-referrer\"><title>{}: report</title>\
         <style>{STYLE}@page{{@bottom-left{{content:\"{}\"}}}}</style></head><body>{}",
        policy(),
        escape(&document.title),
        footer_text(document),
        markup::PATTERNS,
    );
    out.push_str("<div class=\"page\">");
    out.push_str(&head(document));
    out.push_str("<main>");
    for (position, section) in document.sections.iter().enumerate() {
        out.push_str(&question(position + 1, section));
    }
    out.push_str(&gaps(document));
    out.push_str(&particulars(document));
    let _ = writeln!(out, "</main></div><script>{SCRIPT}</script></body></html>");
    out
}

/// The browser may load nothing at all, and runs the script of the page alone.
fn policy() -> String {
    let hash = BASE64_STANDARD.encode(Sha256::digest(SCRIPT));
    format!(
        "default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{hash}'; base-uri 'none'; form-action 'none'"
    )
}

/// Title and session for the foot of printed pages; only harmless characters.
fn footer_text(document: &Document) -> String {
    let text = format!("{} - {}", document.title, document.identity);
    text.chars()
        .filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '.' | ',' | '-' | '_'))
        .collect()
}

fn head(document: &Document) -> String {
    let mut out = String::from("<header>");
    let _ = write!(
        out,
        "<p class=\"over\"><b>micronewton</b> {}</p><div class=\"top\"><div><h1>{}</h1>\
         <p class=\"opening\">{}</p></div>{}</div></header>",
        escape(&document.identity),
        escape(&document.title),
        spans(&document.lead),
        facts(&document.facts, "facts"),
    );
    let columns = match document.sections.len() {
        n @ 1..=4 => n,
        _ => 4,
    };
    let _ = write!(
        out,
        "<nav aria-label=\"The questions and their answers\"><ol class=\"strip\" style=\"--c:{columns}\">"
    );
    for (position, section) in document.sections.iter().enumerate() {
        let _ = write!(
            out,
            "<li><a href=\"#q{}\">{}</a>{}<p>{}</p></li>",
            position + 1,
            escape(&section.question),
            verdict(section.verdict, section.in_part),
            escape(&section.short),
        );
    }
    out.push_str("</ol></nav>");
    out.push_str(&markup::legend());
    out
}

fn question(number: usize, section: &Section) -> String {
    let mut out = format!(
        "<section id=\"q{number}\" aria-labelledby=\"q{number}h\">\
         <div class=\"num\" aria-hidden=\"true\">{number}</div>\
         <div class=\"hd\"><h2 id=\"q{number}h\">{}</h2>{}</div><p class=\"ans\">{}</p>",
        escape(&section.question),
        verdict(section.verdict, section.in_part),
        spans(&section.answer),
    );
    for doubt in &section.doubts {
        let _ = write!(
            out,
            "<p class=\"carry\">{}<span>Carries doubt {}: {}.</span></p>",
            mark(super::Verdict::Doubtful),
            doubt.letter,
            escape(&doubt.brief),
        );
    }
    if !section.cautions.is_empty() {
        out.push_str(&cautions(
            "Before you act on this answer",
            &section.cautions,
            "h3",
        ));
    }
    for (position, block) in section.blocks.iter().enumerate() {
        out.push_str(&self::block(block, &format!("f{number}-{position}")));
    }
    if !section.details.is_empty() {
        out.push_str("<details><summary>How this was computed, and more figures</summary>");
        for (position, block) in section.details.iter().enumerate() {
            out.push_str(&self::block(block, &format!("d{number}-{position}")));
        }
        out.push_str("</details>");
    }
    out.push_str("</section>");
    out
}

/// One block; `id` names its picture in the page.
fn block(block: &Block, id: &str) -> String {
    match block {
        Block::Facts(list) => facts(list, "list"),
        Block::Table(content) => table(content),
        Block::Curves(Curves::Bands(curves)) => bands::figure(curves, id),
        Block::Curves(Curves::Lines(content)) => lines::figure(content, id),
        Block::Curves(Curves::Maps(content)) => maps::figure(content, id),
        Block::Curves(Curves::Marks(content)) => markup::marks(content),
        Block::Curves(Curves::Ruler(content)) => ruler::figure(content, id),
        Block::Curves(Curves::Slopes(content)) => slopes::figure(content, id),
        Block::Curves(Curves::Trace(content)) => trace::figure(content, id),
        Block::Notes(notes) => notes.iter().map(|text| note(text)).collect(),
    }
}

fn gaps(document: &Document) -> String {
    if document.gaps.is_empty() {
        return String::new();
    }
    format!(
        "<section class=\"more\" aria-labelledby=\"gaps\"><div class=\"hd\">\
         <h2 id=\"gaps\">What was not answered, and what to record for it</h2>{}</div>{}</section>",
        verdict(Some(super::Verdict::NotMeasurable), false),
        facts(&document.gaps, "list miss"),
    )
}

fn particulars(document: &Document) -> String {
    let mut out = String::from(
        "<section class=\"more\" aria-labelledby=\"behind\"><div class=\"hd\">\
         <h2 id=\"behind\">What stands behind this page</h2></div>",
    );
    for (position, (heading, blocks)) in document.particulars.iter().enumerate() {
        let _ = write!(out, "<details><summary>{}</summary>", escape(heading));
        for (part, content) in blocks.iter().enumerate() {
            out.push_str(&block(content, &format!("p{position}-{part}")));
        }
        out.push_str("</details>");
    }
    out.push_str("</section>");
    out.push_str(&cautions(
        "Before you act on this page",
        &document.cautions,
        "h2",
    ));
    out.push_str("<footer><p>End of report.</p></footer>");
    out
}

/// A box of cautions.
fn cautions(heading: &str, cautions: &[String], level: &str) -> String {
    let each = cautions
        .iter()
        .map(|caution| format!("<li>{}</li>", escape(caution)));
    format!(
        "<aside class=\"caution\" aria-label=\"{heading}\"><{level}>{heading}</{level}><ul>{}</ul></aside>",
        each.collect::<String>()
    )
}
