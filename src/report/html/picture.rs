//! The pictures of the page, each as an SVG file that needs nothing beside itself: its
//! colours are baked in, its fonts are whatever the reader's system calls serif and sans.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use super::super::Told;
use super::super::document::{Block, Curves, Document};
use super::markup::{PATTERNS, escape};
use super::{STYLE, bands, lines, maps, polar, ruler, slopes, trace};
use crate::diagnostic::Result;

/// Space above the picture for its title, and of one line of text below it.
const HEAD: f64 = 34.0;
const LINE: f64 = 19.0;
/// Letters in a line below the picture.
const LETTERS: usize = 140;
/// Longest name.
const NAME: usize = 96;

/// One picture as a file of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Its name among those of the record: lower-case letters, digits and hyphens.
    pub name: String,
    /// What it shows.
    pub title: String,
    /// The picture.
    pub svg: String,
}

/// What a picture is drawn from.
pub(super) struct Parts {
    /// Nested pictures, drawn where they say.
    pub inner: String,
    /// Width and height of all of them.
    pub size: (f64, f64),
    /// What is to be seen, in words.
    pub description: String,
    /// Lines below.
    pub caption: Vec<String>,
}

/// Every picture of the report, in its order.
///
/// # Errors
/// Those of [`Document::of`].
pub fn pictures<'a>(told: impl Into<Told<'a>>) -> Result<Vec<Picture>> {
    let document = Document::of(told)?;
    let mut found: Vec<Picture> = Vec::new();
    for section in &document.sections {
        for block in section.blocks.iter().chain(&section.details) {
            let Block::Curves(curves) = block else {
                continue;
            };
            let Some((title, parts)) = drawn(curves) else {
                continue;
            };
            let title = match section.ear {
                Some(side) => format!("{}: {title}", side.ear()),
                None => title.to_owned(),
            };
            let stem = name(&title);
            let namesakes = found.iter().filter(|p| name(&p.title) == stem).count();
            let name = match namesakes {
                0 => stem,
                n => format!("{stem}-{}", n + 1),
            };
            let svg = alone(&title, &document.identity, &parts);
            found.push(Picture { name, title, svg });
        }
    }
    Ok(found)
}

fn drawn(curves: &Curves) -> Option<(&str, Parts)> {
    Some(match curves {
        Curves::Bands(curves) => (&curves.title, bands::alone(curves)),
        Curves::Lines(content) => {
            let figure = lines::figure(content, "f");
            (&content.title, of_figure(&figure, &content.description)?)
        }
        Curves::Maps(content) => {
            let figure = maps::figure(content, "f");
            let parts = of_figure(&figure, &content.lines.description)?;
            (&content.lines.title, parts)
        }
        Curves::Polar(content) => {
            let figure = polar::figure(content, "f");
            (&content.title, of_figure(&figure, &content.description)?)
        }
        Curves::Ruler(content) => {
            let figure = ruler::figure(content, "f");
            (&content.title, of_figure(&figure, &content.description)?)
        }
        Curves::Slopes(content) => {
            let figure = slopes::figure(content, "f");
            (&content.title, of_figure(&figure, &content.description)?)
        }
        Curves::Trace(content) => {
            let figure = trace::figure(content, "f");
            (&content.title, of_figure(&figure, &content.description)?)
        }
        Curves::Marks(_) => return None,
    })
}

/// The picture inside a figure of the page, and its caption.
fn of_figure(figure: &str, description: &str) -> Option<Parts> {
    let inner = between(figure, "<svg ", "</svg>")?;
    let size = between(inner, "viewBox=\"0 0 ", "\"")?;
    let (width, height) = size.split_once(' ')?;
    let size = (width.parse().ok()?, height.parse().ok()?);
    let caption = between(figure, "<figcaption>", "</figcaption>").unwrap_or_default();
    Some(Parts {
        inner: nested(inner, (0.0, HEAD), size),
        size,
        description: description.to_owned(),
        caption: wrapped(caption),
    })
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> Option<&'a str> {
    let (_, rest) = text.split_once(from)?;
    Some(rest.split_once(to)?.0)
}

/// A picture of the page at a place in another: `inner` runs from behind `<svg ` up to
/// its end. Title and description go: the whole has its own.
pub(super) fn nested(inner: &str, at: (f64, f64), size: (f64, f64)) -> String {
    let body = inner.split_once('>').map_or("", |(_, body)| body);
    let body = match body.split_once("</desc>") {
        Some((_, rest)) => rest,
        None => body,
    };
    format!(
        "<svg x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\">{body}</svg>",
        at.0, at.1, size.0, size.1, size.0, size.1
    )
}

/// Where a picture over bands begins below its title.
pub(super) const TOP: f64 = HEAD;

/// Text in lines.
pub(super) fn wrapped(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + word.chars().count() < LETTERS => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

fn alone(title: &str, identity: &str, parts: &Parts) -> String {
    let (width, height) = parts.size;
    let lines = parts.caption.len() as f64 + 1.0;
    let whole = HEAD + height + lines * LINE + 12.0;
    let defs = between(PATTERNS, "<defs>", "</defs>").unwrap_or_default();
    let mut body = format!(
        "<rect class=\"ground\" width=\"{width}\" height=\"{whole}\"/>\
         <text class=\"head\" x=\"8\" y=\"21\">{}</text>{}",
        escape(title),
        parts.inner
    );
    let told = parts.caption.iter().cloned();
    let origin = format!("micronewton, {}", escape(identity));
    for (line, text) in told.chain([origin]).enumerate() {
        let y = HEAD + height + (line as f64 + 1.0) * LINE;
        let _ = write!(body, "<text x=\"8\" y=\"{y:.1}\">{text}</text>");
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {whole}\" width=\"{width}\" \
         height=\"{whole}\" role=\"img\" aria-labelledby=\"t d\"><title id=\"t\">{}</title>\
         <desc id=\"d\">{}</desc><style>{}.ground{{fill:#fdfcf9}}.head{{font-weight:600;font-size:15px}}</style>\
         <defs>{defs}</defs>{body}</svg>\n",
        escape(title),
        escape(&parts.description),
        style(&format!("{defs}{body}")),
    )
}

/// The rules of the page's style that `drawing` needs, colours in place of variables.
fn style(drawing: &str) -> String {
    let classes: BTreeSet<&str> = drawing
        .split("class=\"")
        .skip(1)
        .filter_map(|rest| rest.split_once('"'))
        .flat_map(|(names, _)| names.split(' '))
        .collect();
    let colours: BTreeMap<&str, &str> = between(STYLE, ":root{", "}")
        .unwrap_or_default()
        .split(';')
        .filter_map(|rule| rule.trim().strip_prefix("--")?.split_once(':'))
        .collect();
    let mut out = String::new();
    for rule in STYLE.split('}') {
        let Some((selectors, body)) = rule.split_once('{') else {
            continue;
        };
        // Rules of screens and paper only stand behind an @, after the common ones.
        if selectors.contains('@') || body.contains('{') {
            continue;
        }
        let needed = |selector: &&str| {
            let parts: Vec<&str> = selector.split([' ', '.']).collect();
            let tags = ["", "svg", "text", "tspan"];
            let known = |part: &&str| tags.contains(part) || classes.contains(part);
            parts.iter().all(known) && *selector != "svg"
        };
        let kept: Vec<&str> = selectors.trim().split(',').filter(needed).collect();
        if !kept.is_empty() {
            let mut body = body.to_owned();
            for (name, colour) in &colours {
                body = body.replace(&format!("var(--{name})"), colour);
            }
            let _ = write!(out, "{}{{{body}}}", kept.join(","));
        }
    }
    // Quotes of font names need no escape inside an element, but ampersands and angles would.
    escape_style(&out)
}

fn escape_style(style: &str) -> String {
    style.replace('&', "&amp;").replace('<', "&lt;")
}

/// A name for files and arguments.
fn name(title: &str) -> String {
    let mut name = String::new();
    for c in title.to_lowercase().chars() {
        match c {
            c if c.is_ascii_alphanumeric() => name.push(c),
            _ if !name.is_empty() && !name.ends_with('-') => name.push('-'),
            _ => {}
        }
    }
    name.truncate(NAME);
    name.trim_end_matches('-').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_plain() {
        assert_eq!(
            name("Force level, “speech_65”: ± 1 dB"),
            "force-level-speech-65-1-db"
        );
    }

    #[test]
    fn colours_stand_in_place_of_variables_and_unused_rules_stay_out() {
        let style = style("<text class=\"axt\"/><rect class=\"fil b1\"/>");
        assert!(
            style.contains(".fil.b1") && style.contains("#a9d0cd"),
            "{style}"
        );
        assert!(
            !style.contains("var(") && !style.contains(".rail"),
            "{style}"
        );
        assert!(
            !style.contains("@media") && !style.contains(".fil.b2"),
            "{style}"
        );
    }
}
