//! Pieces of HTML: escaped text, verdicts with their marks, lists and tables.

use std::fmt::Write as _;

use super::super::document::{Called, Cell, Fact, Span, Table, Verdict, word};

/// Most rows of a table that is not torn apart.
const LONG: usize = 14;
/// Longest word that a column must hold unbroken.
const WORD: usize = 40;

/// Hatches that pictures share.
pub(super) const PATTERNS: &str = "<svg width=\"0\" height=\"0\" class=\"defs\" aria-hidden=\"true\" focusable=\"false\"><defs>\
<pattern id=\"hv\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
<path class=\"hat\" d=\"M0 0V7\"/></pattern>\
<pattern id=\"hb\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
<path class=\"hatb\" d=\"M0 0V5\"/></pattern></defs></svg>";

/// What the marks mean.
pub(super) fn legend() -> String {
    let meanings = [
        (Verdict::Within, "inside the limits, with uncertainty"),
        (Verdict::Doubtful, "limit inside the uncertainty"),
        (Verdict::Outside, "beyond a limit, with uncertainty"),
        (Verdict::NotMeasurable, "not recorded, or out of range"),
    ];
    let mut out = String::from("<ul class=\"legend\" aria-label=\"What the marks mean\">");
    for (found, meaning) in meanings {
        let _ = write!(out, "<li>{} {meaning}</li>", small(found, None));
    }
    out.push_str("</ul>");
    out
}

/// Text that HTML and its attributes take for text.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() && c != '\n' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Words for a reader: what stands in backticks is code, and no line ends within a
/// code like P-041 or within a date.
pub(super) fn prose(text: &str) -> String {
    let text = escape(text);
    let pieces: Vec<&str> = text.split('`').collect();
    let last = pieces.len() - 1;
    let told = pieces.iter().enumerate().map(|(position, piece)| {
        if position % 2 == 0 {
            kept_whole(piece)
        } else if position < last {
            format!("<code>{piece}</code>")
        } else {
            format!("`{piece}")
        }
    });
    told.collect()
}

/// Longest code that fits every screen in one piece.
const CODE: usize = 16;

fn kept_whole(text: &str) -> String {
    let numbered = |word: &str| {
        let mut after = word.split('-').skip(1);
        word.len() <= CODE && after.any(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
    };
    let told = text
        .split_inclusive(' ')
        .map(|word| match numbered(word.trim_end()) {
            true => format!(
                "<span class=\"whole\">{}</span>{}",
                word.trim_end(),
                &word[word.trim_end().len()..]
            ),
            false => word.to_owned(),
        });
    told.collect()
}

/// Running text.
pub(super) fn spans(spans: &[Span]) -> String {
    let mut out = String::new();
    for span in spans {
        let text = prose(span.text());
        let _ = match span {
            Span::Words(_) => write!(out, "{text}"),
            Span::Figure(_) => write!(out, "<b>{text}</b>"),
            Span::Alarm(_) => write!(out, "<strong>{text}</strong>"),
            Span::Doubt(_) => write!(out, "<em>{text}</em>"),
        };
    }
    out
}

/// A figure with its title, opened up to what is drawn in it, `width` by `height`.
pub(super) fn figure_opened(
    title: &str,
    description: &str,
    [width, height]: [f64; 2],
    id: &str,
) -> String {
    let title = escape(title);
    format!(
        "<figure><h3>{title}</h3><div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{title}\"><div class=\"stripbox\">\
         <svg viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"{id}t {id}d\">\
         <title id=\"{id}t\">{title}</title><desc id=\"{id}d\">{}</desc>",
        escape(description)
    )
}

/// What closes the drawing; the caption of the figure follows.
pub(super) const DRAWING_CLOSED: &str =
    "</svg></div></div><p class=\"swipe\">The picture scrolls sideways.</p>";

/// A paragraph of small print.
pub(super) fn note(text: &str) -> String {
    format!("<p class=\"note\">{}</p>", prose(text))
}

/// The mark of a verdict: posts are limits, the block is the result.
pub(super) fn mark(verdict: Verdict) -> String {
    let posts = "<path class=\"post\" d=\"M5 1.5v15M18 1.5v15\"/>";
    let drawing = match verdict {
        Verdict::Within => {
            format!("{posts}<rect class=\"blk\" x=\"8.2\" y=\"4.5\" width=\"6.6\" height=\"9\"/>")
        }
        Verdict::Doubtful => format!(
            "{posts}<path class=\"blk\" d=\"M13.5 4.5h4.5v9h-4.5z\"/><path class=\"blko\" d=\"M18 5.2h4v7.6h-4\"/>"
        ),
        Verdict::Outside => {
            format!("{posts}<path class=\"blk\" d=\"M20.8 3h6.8v12h-6.8z\"/>")
        }
        Verdict::NotMeasurable => posts.replace("post", "post dash"),
    };
    format!(
        "<svg class=\"mark\" viewBox=\"4 0 26 18\" aria-hidden=\"true\" focusable=\"false\">{drawing}</svg>"
    )
}

fn class(verdict: Verdict, called: Option<Called>) -> &'static str {
    match (verdict, called) {
        (Verdict::Outside, Some(Called::News(_))) => "news",
        (Verdict::Within, _) => "within",
        (Verdict::NotMeasurable, _) => "not-measurable",
        (Verdict::Doubtful, _) => "doubtful",
        (Verdict::Outside, _) => "outside",
    }
}

/// Mark and word, small.
fn small(verdict: Verdict, called: Option<Called>) -> String {
    format!(
        "<span class=\"sv {}\">{}{}</span>",
        class(verdict, called),
        mark(verdict),
        word(verdict, called),
    )
}

/// Verdicts in a row, each under what it is on.
pub(super) fn marks(marks: &[(Verdict, Called, String)]) -> String {
    let mut out = String::from("<ul class=\"checks\" aria-label=\"What was checked\">");
    for (found, called, what) in marks {
        let _ = write!(
            out,
            "<li>{}{}</li>",
            escape(what),
            small(*found, Some(*called))
        );
    }
    out.push_str("</ul>");
    out
}

/// Mark and word, or that there is no limit to judge against.
pub(super) fn verdict(verdict: Option<Verdict>, called: Option<Called>, in_part: bool) -> String {
    match verdict {
        Some(verdict) => {
            let part = if in_part { "<i>in part</i>" } else { "" };
            format!(
                "<span class=\"verdict {}\">{}<b>{}</b>{part}</span>",
                class(verdict, called),
                mark(verdict),
                word(verdict, called)
            )
        }
        None => "<span class=\"verdict none\">no limit given</span>".to_owned(),
    }
}

/// Names and texts.
pub(super) fn facts(facts: &[Fact], class: &str) -> String {
    let mut out = format!("<dl class=\"{class}\">");
    for fact in facts {
        let _ = write!(
            out,
            "<dt>{}</dt><dd>{}</dd>",
            prose(&fact.name),
            prose(&fact.text)
        );
    }
    out.push_str("</dl>");
    out
}

/// A table of text.
pub(super) fn table(table: &Table) -> String {
    let flush = |column: usize| {
        let cell = table.rows.first().and_then(|row| row.get(column));
        if matches!(cell, Some(Cell::Figure(_))) {
            " class=\"r\""
        } else {
            ""
        }
    };
    let caption = escape(&table.caption);
    // On paper a short table stays on one page.
    let class = match table.rows.len() {
        0..=LONG => "qt",
        _ => "qt long",
    };
    let mut out = format!(
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{caption}\">\
         <table class=\"{class}\"><caption>{caption}</caption><thead><tr>"
    );
    for (column, head) in table.head.iter().enumerate() {
        let _ = write!(
            out,
            "<th scope=\"col\"{}>{}</th>",
            flush(column),
            escape(head)
        );
    }
    out.push_str("</tr></thead><tbody>");
    for row in &table.rows {
        out.push_str("<tr>");
        let mut named = false;
        for cell in row {
            let _ = match cell {
                Cell::Figure(text) => write!(out, "<td class=\"r\">{}</td>", escape(text)),
                Cell::Verdict(found, called) => {
                    write!(out, "<td class=\"v\">{}</td>", small(*found, *called))
                }
                Cell::Words(text) if !named => {
                    named = true;
                    write!(out, "<th scope=\"row\">{}</th>", escape(text))
                }
                Cell::Words(text) if text.len() > WORD && !text.contains(' ') => {
                    write!(out, "<td><code class=\"hash\">{}</code></td>", escape(text))
                }
                Cell::Words(text) => write!(out, "<td>{}</td>", prose(text)),
            };
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_the_user_becomes_markup() {
        let hostile = "<img src=x onerror='a()'>&\"\u{1b}[31m";
        let told = escape(hostile);
        assert_eq!(
            told,
            "&lt;img src=x onerror=&#39;a()&#39;&gt;&amp;&quot;\u{fffd}[31m"
        );
        let words = facts(
            &[Fact {
                name: hostile.into(),
                text: hostile.into(),
            }],
            "list",
        );
        assert!(!words.contains("<img"), "{words}");
    }

    #[test]
    fn a_mark_never_stands_without_its_word() {
        for (found, word) in [
            (Verdict::Within, "within"),
            (Verdict::Doubtful, "doubtful"),
            (Verdict::Outside, "outside"),
            (Verdict::NotMeasurable, "not measurable"),
        ] {
            let told = verdict(Some(found), None, false);
            assert!(told.contains("<svg") && told.contains(word), "{told}");
        }
    }
}
