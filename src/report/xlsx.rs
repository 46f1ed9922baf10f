//! The record as a spreadsheet file: answers, figures, changes and what they rest on.

use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError,
};

use super::document::{Block, Cell, Document, Span, Table, word};
use super::{Told, comparison, csv};
use crate::diagnostic::{Diagnostic, Problem, Result};

/// Columns that hold numbers; every other cell is text, whatever it looks like.
const NUMBERS: [&str; 6] = [
    "nominal_hz",
    "value",
    "expanded_uncertainty",
    "before",
    "after",
    "difference",
];
/// Narrowest and widest column, in letters.
const WIDTHS: (usize, usize) = (9, 70);

/// What the columns of the sheets hold.
const MEANINGS: [(&str, &str); 17] = [
    ("capture", "the captures behind the figure"),
    ("entry", "the measurement or assessment"),
    (
        "quantity",
        "where the figure stands in its entry, the channel in front",
    ),
    (
        "nominal_hz",
        "nominal midband frequency in Hz, where the figure belongs to a band",
    ),
    ("status", "measured, at_most, at_least or not_measured"),
    (
        "value",
        "the figure or bound; empty where nothing was measured",
    ),
    ("unit", "unit of the figure; 1 for a number without unit"),
    ("reference", "reference of a level"),
    (
        "expanded_uncertainty",
        "k = 2, in the unit of the figure; empty where it is not stated",
    ),
    (
        "reason",
        "why there is no figure, only a bound, or no uncertainty",
    ),
    (
        "doubts",
        "set-up checks that are not passed and on which the figure relies",
    ),
    ("side", "side on which the device is worn"),
    ("before", "the figure in the earlier record"),
    ("after", "the figure in this record"),
    ("difference", "after minus before"),
    (
        "verdict",
        "changed, not_beyond_uncertainty or not_comparable; of an answer, the word on the page",
    ),
    ("answer", "the answer in full, as on the page"),
];

/// The record as the bytes of an `.xlsx` file: one sheet each for the answers, the
/// figures (rows and columns of [`csv`](fn@super::csv)), the changes where an earlier
/// record is at hand, what stands behind them, and the meaning of the columns.
///
/// # Errors
/// Those of [`Document::of`]; [`Problem::Internal`] if a sheet cannot be made.
pub fn xlsx<'a>(told: impl Into<Told<'a>>) -> Result<Vec<u8>> {
    let told = told.into();
    let document = Document::of(told)?;
    let mut book = Workbook::new();
    // The same record is the same file, and the day of its making leads to nobody.
    let day = ExcelDateTime::from_ymd(1970, 1, 1).map_err(internal)?;
    let properties = DocProperties::new()
        .set_title(&document.title)
        .set_creation_datetime(&day);
    book.set_properties(&properties);

    let columns = ["question", "part", "verdict", "answer", "doubts"];
    sheet(&mut book, "Answers", &columns, answers(&document))?;
    sheet(&mut book, "Figures", &csv::COLUMNS, csv::rows(told)?)?;
    let ears = [Some(told), told.other_ear.copied()];
    let changes: Vec<Vec<String>> = ears
        .into_iter()
        .flatten()
        .filter_map(|ear| Some((ear.record.side(), ear.changes?)))
        .flat_map(|(side, changes)| {
            let side = side.map_or("", |side| side.name());
            let rows = comparison::rows(changes);
            rows.map(move |row| [row, vec![side.to_owned()]].concat())
        })
        .collect();
    if !changes.is_empty() {
        let columns = [&comparison::COLUMNS[..], &["side"]].concat();
        sheet(&mut book, "Changes", &columns, changes)?;
    }
    sheet(
        &mut book,
        "Behind",
        &["of", "name", "text"],
        behind(&document),
    )?;
    let meanings = MEANINGS.map(|(column, meaning)| vec![column.into(), meaning.into()]);
    sheet(
        &mut book,
        "Columns",
        &["column", "meaning"],
        meanings.into(),
    )?;
    book.save_to_buffer().map_err(internal)
}

fn answers(document: &Document) -> Vec<Vec<String>> {
    let answer = |section: &super::Section| {
        let doubts = section.doubts.iter().map(|doubt| doubt.brief.as_str());
        vec![
            section.question.clone(),
            section.heading().unwrap_or_default(),
            section.word().unwrap_or("no limit given").to_owned(),
            section.answer.iter().map(Span::text).collect::<String>(),
            doubts.collect::<Vec<_>>().join("; "),
        ]
    };
    document.sections.iter().map(answer).collect()
}

/// Gaps, inputs, calibration, budget, options and cautions, line by line.
fn behind(document: &Document) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for gap in &document.gaps {
        rows.push(vec![
            "Not answered".into(),
            gap.name.clone(),
            gap.text.clone(),
        ]);
    }
    for (heading, blocks) in &document.particulars {
        for block in blocks {
            match block {
                Block::Facts(facts) => rows.extend(
                    facts
                        .iter()
                        .map(|fact| vec![heading.clone(), fact.name.clone(), fact.text.clone()]),
                ),
                Block::Notes(notes) => rows.extend(
                    notes
                        .iter()
                        .map(|note| vec![heading.clone(), String::new(), note.clone()]),
                ),
                Block::Table(table) => rows.extend(lines(heading, table)),
                Block::Curves(_) => {}
            }
        }
    }
    for caution in &document.cautions {
        rows.push(vec!["Caution".into(), String::new(), caution.clone()]);
    }
    rows
}

/// The rows of a table: the first cell is the name, the others say their column.
fn lines(heading: &str, table: &Table) -> Vec<Vec<String>> {
    let text = |cell: &Cell| match cell {
        Cell::Words(text) | Cell::Figure(text) => text.clone(),
        Cell::Verdict(verdict, called) => word(*verdict, *called).to_owned(),
    };
    let of = match table.caption == heading {
        true => heading.to_owned(),
        false => format!("{heading}: {}", table.caption),
    };
    let line = |row: &Vec<Cell>| {
        let told = table.head.iter().zip(row).skip(1);
        let told: Vec<String> = told
            .map(|(head, cell)| format!("{head}: {}", text(cell)))
            .collect();
        let name = row.first().map(text).unwrap_or_default();
        vec![of.clone(), name, told.join("; ")]
    };
    table.rows.iter().map(line).collect()
}

/// Adds a sheet: a head that stays in sight and filters, and rows below it.
fn sheet(book: &mut Workbook, name: &str, columns: &[&str], rows: Vec<Vec<String>>) -> Result<()> {
    let head = Format::new().set_bold();
    let text = Format::new().set_text_wrap().set_align(FormatAlign::Top);
    let number = Format::new().set_align(FormatAlign::Top);
    let sheet = book.add_worksheet();
    let fill = |sheet: &mut Worksheet| -> std::result::Result<(), XlsxError> {
        sheet.set_name(name)?.set_freeze_panes(1, 0)?;
        for (at, column) in (0_u16..).zip(columns) {
            sheet.write_string_with_format(0, at, *column, &head)?;
            let cells = || rows.iter().filter_map(|row| row.get(usize::from(at)));
            let widest = cells().map(|cell| cell.chars().count()).max();
            let width = widest
                .unwrap_or(0)
                .max(column.len())
                .clamp(WIDTHS.0, WIDTHS.1);
            sheet.set_column_width(at, width as f64 + 2.0)?;
            for (below, cell) in (1_u32..).zip(cells()) {
                match cell.parse::<f64>() {
                    _ if cell.is_empty() => {}
                    Ok(figure) if NUMBERS.contains(column) => {
                        sheet.write_number_with_format(below, at, figure, &number)?;
                    }
                    _ => {
                        sheet.write_string_with_format(below, at, cell, &text)?;
                    }
                }
            }
        }
        let (last_row, last_column) = (rows.len() as u32, columns.len() as u16 - 1);
        sheet.autofilter(0, 0, last_row, last_column)?;
        Ok(())
    };
    fill(sheet).map_err(internal)
}

fn internal(error: XlsxError) -> Diagnostic {
    let what = format!("the spreadsheet cannot be made: {error}");
    Problem::Internal { what }.into()
}
