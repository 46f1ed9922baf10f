//! The report for a terminal: marks and words first, colour second.

mod bands;
pub(super) mod text;

use super::Told;
use super::document::{Block, Called, Cell, Curves, Document, Section, Table, Verdict, word};
use super::section::BUDGET;
use crate::measurement::Outcome;
use text::{DIM, HEADING, Paragraph, grid, paint};

/// Narrowest and widest text that reads well.
const WIDTHS: (usize, usize) = (48, 110);
/// Everything below a heading stands in by this.
const INDENT: usize = 3;

/// The report as text with ANSI styles, `width` columns wide; print it through
/// `anstream`, which takes the styles away where they are not wanted.
///
/// A record of levels alone, without a session, is told as bare tables.
pub fn terminal<'a>(told: impl Into<Told<'a>>, width: usize) -> String {
    let told = told.into();
    let record = told.record;
    let width = width.clamp(WIDTHS.0, WIDTHS.1);
    let document = match Document::of(told) {
        Ok(document) => document,
        Err(error) => return format!("{error}\n"),
    };
    let levels_alone = record.session.is_none()
        && record
            .entries
            .iter()
            .all(|entry| matches!(entry.outcome, Outcome::Levels(_)));
    if levels_alone {
        compact(&document, width)
    } else {
        whole(&document, width)
    }
}

/// The uncertainty budget of the record's figures, as [`terminal`] prints.
pub fn budget<'a>(told: impl Into<Told<'a>>, width: usize) -> String {
    let width = width.clamp(WIDTHS.0, WIDTHS.1);
    let document = match Document::of(told) {
        Ok(document) => document,
        Err(error) => return format!("{error}\n"),
    };
    let mut out = String::new();
    // Of both ears the heading names which.
    let budgets = document.particulars.iter();
    for (heading, blocks) in budgets.filter(|(heading, _)| heading.ends_with(BUDGET)) {
        out.push_str(&format!("\n{}\n", paint(HEADING, heading)));
        for block in blocks {
            if let Block::Table(table) = block {
                out.push_str(&format!("\n{}", paint(HEADING, &table.caption)));
            }
            out.push_str(&self::block(block, 0, width));
        }
    }
    out
}

/// Pictures as tables, then what is in doubt.
fn compact(document: &Document, width: usize) -> String {
    let mut out = String::new();
    let (trust, rest) = match document.sections.split_first() {
        Some((trust, rest)) => (Some(trust), rest),
        None => (None, document.sections.as_slice()),
    };
    for section in rest {
        for block in section.blocks.iter().chain(&section.details) {
            if let Block::Curves(Curves::Bands(curves)) = block {
                out.push_str(&paint(HEADING, &curves.title));
                out.push('\n');
                out.push_str(&bands::table(curves, 0, width));
                out.push('\n');
            }
        }
    }
    let doubted = |section: &&Section| section.verdict != Some(Verdict::Within);
    if let Some(section) = trust.filter(doubted) {
        for block in &section.blocks {
            if !matches!(block, Block::Table(_)) {
                out.push_str(&self::block(block, 0, width));
            }
        }
    }
    out
}

fn whole(document: &Document, width: usize) -> String {
    let mut out = paint(HEADING, &document.title);
    out.push('\n');
    out.push_str(&paint(DIM, &format!("micronewton {}", document.identity)));
    out.push_str("\n\n");
    for paragraph in &document.lead {
        out.push_str(&Paragraph::of(paragraph).wrapped(0, width));
        out.push('\n');
    }
    for fact in &document.facts {
        out.push_str(&text::entry(&fact.name, &fact.text, 0, width));
    }
    for (position, answers) in document.questions().enumerate() {
        let asked = answers.first().map_or("", |section| &section.question);
        out.push_str(&format!(
            "\n{}\n",
            paint(HEADING, &format!("{}  {asked}", position + 1))
        ));
        for section in answers {
            out.push_str(&answer(section, width));
        }
    }
    if !document.gaps.is_empty() {
        out.push('\n');
        out.push_str(&paint(HEADING, "Not answered, and what to record for it"));
        out.push('\n');
        for gap in &document.gaps {
            out.push_str(&text::entry(&gap.name, &gap.text, INDENT, width));
        }
    }
    out.push('\n');
    out.push_str(&paint(HEADING, "Before you act on this"));
    out.push('\n');
    for caution in &document.cautions {
        out.push_str(&Paragraph::plain(caution).wrapped(INDENT, width));
    }
    out
}

fn answer(section: &Section, width: usize) -> String {
    let mut out = format!("{:INDENT$}", "");
    if let Some(heading) = section.heading() {
        out.push_str(&format!("{}: ", paint(HEADING, &heading)));
    }
    match section.verdict.zip(section.word()) {
        Some((verdict, word)) => {
            let part = if section.in_part { " in part" } else { "" };
            let told = format!("{} {word}{part}", mark(verdict));
            let style = match section.called {
                Some(Called::News(_)) => HEADING,
                _ => text::style(verdict),
            };
            out.push_str(&paint(style, &told));
        }
        None => out.push_str(&paint(DIM, "no limit given")),
    }
    out.push('\n');
    out.push_str(&Paragraph::of(&section.answer).wrapped(INDENT, width));
    for doubt in &section.doubts {
        let told = format!("Carries doubt {}: {}.", doubt.letter, doubt.brief);
        let styled = Paragraph::styled(text::style(Verdict::Doubtful), &told);
        out.push_str(&styled.wrapped(INDENT, width));
    }
    for caution in &section.cautions {
        let told = format!("Caution: {caution}");
        out.push_str(&Paragraph::plain(&told).wrapped(INDENT, width));
    }
    for block in &section.blocks {
        out.push_str(&self::block(block, INDENT, width));
    }
    out
}

fn block(block: &Block, indent: usize, width: usize) -> String {
    match block {
        Block::Facts(facts) => {
            let each = facts
                .iter()
                .map(|fact| text::entry(&fact.name, &fact.text, indent, width));
            format!("\n{}", each.collect::<String>())
        }
        Block::Notes(notes) => notes
            .iter()
            .map(|note| Paragraph::plain(note).wrapped(indent, width))
            .collect(),
        Block::Table(content) => format!("\n{}", table(content, indent, width)),
        Block::Curves(Curves::Bands(curves)) => {
            let title = paint(HEADING, &curves.title);
            format!(
                "\n{:indent$}{title}\n{}",
                "",
                bands::table(curves, indent, width)
            )
        }
        Block::Curves(Curves::Marks(marks)) => {
            let passed = marks.iter().filter(|(found, ..)| *found == Verdict::Within);
            let names: Vec<&str> = passed.map(|(.., what)| what.as_str()).collect();
            let told = format!(
                "{} Passed: {}.",
                mark(Verdict::Within).trim(),
                names.join(", ")
            );
            Paragraph::plain(&told).wrapped(indent, width)
        }
        Block::Curves(Curves::Polar(polar)) => {
            let title = paint(HEADING, &polar.title);
            let content = polar.table();
            format!(
                "\n{:indent$}{title}\n{}",
                "",
                table(&content, indent, width)
            )
        }
        // The tables of the section say the same in figures.
        Block::Curves(
            Curves::Lines(_)
            | Curves::Maps(_)
            | Curves::Ruler(_)
            | Curves::Slopes(_)
            | Curves::Trace(_),
        ) => String::new(),
    }
}

fn table(content: &Table, indent: usize, width: usize) -> String {
    let cell = |cell: &Cell| match cell {
        Cell::Words(words) => (words.clone(), false),
        Cell::Figure(figure) => (figure.clone(), true),
        Cell::Verdict(verdict, called) => {
            let told = word(*verdict, *called);
            (format!("{} {told}", mark(*verdict)), false)
        }
    };
    let rows: Vec<Vec<(String, bool)>> = content
        .rows
        .iter()
        .map(|row| row.iter().map(cell).collect())
        .collect();
    grid(&content.head, &rows, indent, width)
}

/// Posts are the limits, the block is the result: `#` inside, `o` the hollow
/// half of a block that stands astride a post.
fn mark(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "| # | ",
        Verdict::Doubtful => "|  #|o",
        Verdict::Outside => "|   |#",
        Verdict::NotMeasurable => ":   : ",
    }
}
