//! Styled words, wrapped, and tables that fit.

use anstyle::{AnsiColor, Style};
use comfy_table::{
    Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width,
    presets,
};

/// Names up to this width stay on one line.
const WHOLE: usize = 22;

use super::super::document::{Span, Verdict};

/// Headings.
pub(in crate::report) const HEADING: Style = Style::new().bold();
/// What matters less.
pub(in crate::report) const DIM: Style = Style::new().dimmed();
const FIGURE: Style = Style::new().bold();
const ALARM: Style = Style::new()
    .bold()
    .fg_color(Some(anstyle::Color::Ansi(AnsiColor::Red)));
/// Bars, and whatever is the device's.
pub(super) const DEVICE: Style = Style::new().fg_color(Some(anstyle::Color::Ansi(AnsiColor::Cyan)));

const RULED: TableStyle = presets::NOTHING.header_separator(LineStyle::none().fill('─'));

/// `text` in `style`.
pub(in crate::report) fn paint(style: Style, text: &str) -> String {
    format!("{style}{}{style:#}", printable(text))
}

/// Text that cannot steer the terminal.
pub(super) fn printable(text: &str) -> String {
    let seen = |c: char| match c {
        '\u{a0}' => ' ',
        c if c.is_control() && c != '\n' => '\u{fffd}',
        c => c,
    };
    text.chars().map(seen).collect()
}

/// The dress of a verdict.
pub(super) fn style(verdict: Verdict) -> Style {
    let colour = match verdict {
        Verdict::Within => AnsiColor::Cyan,
        Verdict::Doubtful => AnsiColor::Yellow,
        Verdict::Outside => return ALARM.invert(),
        Verdict::NotMeasurable => return DIM,
    };
    Style::new().fg_color(Some(anstyle::Color::Ansi(colour)))
}

/// Words with their styles.
pub(in crate::report) struct Paragraph {
    /// Painted word and its width.
    words: Vec<(String, usize)>,
}

impl Paragraph {
    /// Running text.
    pub(in crate::report) fn of(spans: &[Span]) -> Self {
        let mut paragraph = Self { words: Vec::new() };
        let mut glued = false;
        for span in spans {
            let style = match span {
                Span::Words(_) => Style::new(),
                Span::Figure(_) => FIGURE,
                Span::Alarm(_) => ALARM,
                Span::Doubt(_) => style(Verdict::Doubtful),
            };
            for (position, word) in span.text().split(' ').enumerate() {
                paragraph.push(style, word, glued && position == 0);
            }
            glued = !span.text().ends_with(' ');
        }
        paragraph
    }

    /// Text of one style.
    pub(in crate::report) fn styled(style: Style, text: &str) -> Self {
        let mut paragraph = Self { words: Vec::new() };
        for word in text.split(' ') {
            paragraph.push(style, word, false);
        }
        paragraph
    }

    /// Text without style.
    pub(in crate::report) fn plain(text: &str) -> Self {
        Self::styled(Style::new(), text)
    }

    fn push(&mut self, style: Style, word: &str, glued: bool) {
        if word.is_empty() {
            return;
        }
        let (painted, width) = (paint(style, word), word.chars().count());
        match self.words.last_mut() {
            Some(last) if glued => {
                last.0.push_str(&painted);
                last.1 += width;
            }
            _ => self.words.push((painted, width)),
        }
    }

    /// Lines of at most `width`, all but the first word's line start `indent` in.
    pub(in crate::report) fn wrapped(&self, indent: usize, width: usize) -> String {
        self.after("", indent, width)
    }

    /// The same with `head` in the margin of the first line.
    fn after(&self, head: &str, indent: usize, width: usize) -> String {
        let mut out = format!(
            "{}{}",
            head,
            " ".repeat(indent.saturating_sub(head.chars().count()))
        );
        let mut at = out.chars().count();
        let mut fresh = true;
        for (word, length) in &self.words {
            if !fresh && at + 1 + length > width {
                out.push('\n');
                out.push_str(&" ".repeat(indent));
                at = indent;
                fresh = true;
            }
            if !fresh {
                out.push(' ');
                at += 1;
            }
            out.push_str(word);
            at += length;
            fresh = false;
        }
        out.push('\n');
        out
    }
}

/// A name in the margin and its text beside it.
pub(in crate::report) fn entry(name: &str, text: &str, indent: usize, width: usize) -> String {
    let margin = indent + name.chars().count().max(10) + 2;
    let head = format!("{}{}", " ".repeat(indent), printable(name));
    Paragraph::plain(text).after(&head, margin, width)
}

/// A table; `true` sets a cell flush right.
pub(in crate::report) fn grid(
    head: &[String],
    rows: &[Vec<(String, bool)>],
    indent: usize,
    width: usize,
) -> String {
    let alignment = |right: bool| match right {
        true => CellAlignment::Right,
        false => CellAlignment::Left,
    };
    let right = |column: usize| {
        let cell = rows.first().and_then(|row| row.get(column));
        cell.is_some_and(|(_, right)| *right)
    };
    // Figures stay on one line.
    let cell = |text: &str, right: bool| {
        let printable = printable(text);
        let whole = if right {
            printable.replace(' ', "\u{a0}")
        } else {
            printable
        };
        Cell::new(whole).set_alignment(alignment(right))
    };
    let headed =
        |text: &str, right: bool| Cell::new(printable(text)).set_alignment(alignment(right));
    let mut table = Table::new();
    table
        .load_style(RULED)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width((width - indent).try_into().unwrap_or(u16::MAX))
        .set_header(
            head.iter()
                .enumerate()
                .map(|(n, text)| headed(text, right(n))),
        );
    for row in rows {
        table.add_row(row.iter().map(|(text, right)| cell(text, *right)));
    }
    if let Some(first) = table.column_mut(0) {
        first.set_padding((0, 1));
    }
    // Figures and short names stay whole where there is room; no word is ever cut in two.
    let letters = |text: &str| printable(text).chars().count();
    let longest_word = |text: &str| text.split_whitespace().map(letters).max().unwrap_or(0);
    let least = |names_whole: bool, words_whole: bool| -> Vec<usize> {
        let of = |column: usize| {
            let cells = || rows.iter().filter_map(move |row| row.get(column));
            let widest = cells().map(|(text, _)| letters(text)).max().unwrap_or(0);
            let words = cells().map(|(text, _)| longest_word(text)).max();
            let word = words.unwrap_or(0).max(longest_word(&head[column]));
            let name = names_whole && column == 0 && widest <= WHOLE;
            let padding = if column == 0 { 1 } else { 2 };
            if name || right(column) {
                widest.max(word) + padding
            } else if words_whole {
                word + padding
            } else {
                0
            }
        };
        (0..head.len()).map(of).collect()
    };
    let tries = [least(true, true), least(false, true), least(false, false)];
    let fits = |widths: &&Vec<usize>| widths.iter().sum::<usize>() <= width - indent;
    let widths = tries.iter().find(fits).unwrap_or(&tries[2]);
    for (column, least) in widths.iter().enumerate().filter(|(_, least)| **least > 0) {
        if let Some(column) = table.column_mut(column) {
            let width = Width::Fixed((*least).try_into().unwrap_or(u16::MAX));
            column.set_constraint(ColumnConstraint::LowerBoundary(width));
        }
    }
    let mut out = String::new();
    for line in table.lines() {
        let line = line.replace('\u{a0}', " ");
        out.push_str(format!("{:indent$}{line}", "").trim_end());
        out.push('\n');
    }
    out
}
