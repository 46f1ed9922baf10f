//! The report as one HTML file that needs nothing beside itself.

mod bands;
mod lines;
mod maps;
mod markup;
mod picture;
mod polar;
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
use markup::{escape, facts, mark, note, prose, spans, table, verdict};

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
    for (position, answers) in document.questions().enumerate() {
        out.push_str(&question(position + 1, answers));
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
    let paragraphs = document.lead.iter();
    let lead: String = paragraphs
        .map(|paragraph| format!("<p class=\"opening\">{}</p>", spans(paragraph)))
        .collect();
    let class = if document.lead.len() > 1 {
        "top both"
    } else {
        "top"
    };
    let mut out = format!(
        "<header><p class=\"over\"><b>micronewton</b> {}</p><h1>{}</h1>\
         <div class=\"{class}\">{lead}{}</div></header>",
        prose(&document.identity),
        prose(&document.title),
        facts(&document.facts, "facts"),
    );
    let columns = match document.questions().count() {
        n @ 1..=4 => n,
        _ => 4,
    };
    let _ = write!(
        out,
        "<nav aria-label=\"The questions and their answers\"><ol class=\"strip\" style=\"--c:{columns}\">"
    );
    for (position, answers) in document.questions().enumerate() {
        let Some(worst) = answers.iter().max_by_key(|section| section.verdict) else {
            continue;
        };
        let unlike = |section: &Section| {
            section.in_part || section.verdict != worst.verdict && worst.verdict.is_some()
        };
        let in_part = worst.called.is_none() && answers.iter().any(unlike);
        let told = answers.iter().map(|section| match section.ear {
            Some(side) => format!("<p><b>{}.</b> {}</p>", side.ear(), prose(&section.short)),
            None => format!("<p>{}</p>", prose(&section.short)),
        });
        let _ = write!(
            out,
            "<li><a href=\"#q{}\">{}</a>{}<div>{}</div></li>",
            position + 1,
            escape(&worst.question),
            verdict(worst.verdict, worst.called, in_part),
            told.collect::<String>(),
        );
    }
    out.push_str("</ol></nav>");
    out.push_str(&markup::legend());
    out
}

/// A question with its one answer, or with those of its parts and of either ear.
fn question(number: usize, answers: &[Section]) -> String {
    let asked = answers.first().map_or("", |section| &section.question);
    let verdict_of = |section: &Section| verdict(section.verdict, section.called, section.in_part);
    let beside = answers
        .first()
        .filter(|section| section.heading().is_none());
    let beside = beside.map(verdict_of).unwrap_or_default();
    let mut out = format!(
        "<section id=\"q{number}\" aria-labelledby=\"q{number}h\">\
         <div class=\"num\" aria-hidden=\"true\">{number}</div>\
         <div class=\"hd\"><h2 id=\"q{number}h\">{}</h2>{beside}</div>",
        escape(asked),
    );
    for (position, section) in answers.iter().enumerate() {
        if let Some(heading) = section.heading() {
            let told = verdict_of(section);
            let _ = write!(out, "<div class=\"sub\"><h3>{heading}</h3>{told}</div>");
        }
        out.push_str(&answer(&format!("{number}-{position}"), section));
    }
    out.push_str("</section>");
    out
}

/// One answer; `id` is unlike that of every other.
fn answer(id: &str, section: &Section) -> String {
    let mut out = format!("<p class=\"ans\">{}</p>", spans(&section.answer));
    for doubt in &section.doubts {
        let _ = write!(
            out,
            "<p class=\"carry\">{}<span>Carries doubt {}: {}.</span></p>",
            mark(super::Verdict::Doubtful),
            doubt.letter,
            prose(&doubt.brief),
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
        out.push_str(&self::block(block, &format!("f{id}-{position}")));
    }
    if !section.details.is_empty() {
        out.push_str("<details><summary>How this was computed, and more figures</summary>");
        for (position, block) in section.details.iter().enumerate() {
            out.push_str(&self::block(block, &format!("d{id}-{position}")));
        }
        out.push_str("</details>");
    }
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
        Block::Curves(Curves::Polar(content)) => polar::figure(content, id),
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
        verdict(Some(super::Verdict::NotMeasurable), None, false),
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
        .map(|caution| format!("<li>{}</li>", prose(caution)));
    format!(
        "<aside class=\"caution\" aria-label=\"{heading}\"><{level}>{heading}</{level}><ul>{}</ul></aside>",
        each.collect::<String>()
    )
}
