//! Figures before and after: one small panel each, with the band of no change.

use std::fmt::Write as _;

use super::super::document::{Slope, Slopes, Verdict};
use super::super::number;
use super::markup::{DRAWING_CLOSED, escape, figure_opened};

/// Panels in a row, and what one takes.
const ROW: usize = 5;
const WIDTH: f64 = 200.0;
const HEIGHT: f64 = 158.0;
/// Where the two sides stand in a panel, and where no change lies.
const SIDES: [f64; 2] = [56.0, 140.0];
const LEVEL: f64 = 96.0;
/// Half the band of no change; a line that leaves it further than the panel is cut.
const BAND: f64 = 14.0;
const MOST: f64 = 42.0;
/// Letters of a name that fit.
const LETTERS: usize = 26;

/// The picture; the table of the section is its text alternative.
pub(super) fn figure(slopes: &Slopes, id: &str) -> String {
    let rows = slopes.slopes.len().div_ceil(ROW);
    let mut out = figure_opened(
        &slopes.title,
        &slopes.description,
        [WIDTH * ROW as f64 + 2.0, HEIGHT * rows as f64],
        id,
    );
    for (position, slope) in slopes.slopes.iter().enumerate() {
        let (column, row) = (position % ROW, position / ROW);
        let _ = write!(
            out,
            "<g transform=\"translate({} {})\">{}</g>",
            WIDTH * column as f64,
            HEIGHT * row as f64,
            panel(slope)
        );
    }
    let [before, after] = &slopes.sides;
    let _ = write!(
        out,
        "{DRAWING_CLOSED}<figcaption>Ends of each line: {} and {}. Shaded: no {}, the expanded uncertainty (k = 2) of the difference. All bands are drawn equally high, so that steepness compares; a line that goes on is cut.</figcaption></figure>",
        escape(before),
        escape(after),
        slopes.difference
    );
    out
}

fn panel(slope: &Slope) -> String {
    let [left, right] = SIDES;
    let (top, bottom) = (LEVEL - BAND, LEVEL + BAND);
    let moved = if slope.band > 0.0 {
        BAND * slope.change() / slope.band
    } else {
        0.0
    };
    let end = LEVEL - moved.clamp(-MOST, MOST);
    let class = match slope.verdict() {
        Verdict::Outside => "moved",
        _ => "still",
    };
    let mut out = String::new();
    for (line, name) in slope.name.iter().enumerate() {
        let y = 16.0 + 17.0 * line as f64;
        let class = if line == 0 { "axt" } else { "axu" };
        let _ = write!(
            out,
            "<text class=\"{class}\" x=\"4\" y=\"{y}\">{}</text>",
            escape(&cut(name))
        );
    }
    let _ = write!(
        out,
        "<rect class=\"rail\" x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{}\"/>\
         <path class=\"axl\" d=\"M{left} {top}V{bottom}M{right} {top}V{bottom}\"/>\
         <path class=\"slope {class}\" d=\"M{left} {LEVEL}L{right} {end:.1}\"/>\
         <rect class=\"end {class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"8\"/>\
         <rect class=\"end {class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"8\"/>",
        right - left,
        2.0 * BAND,
        left - 4.0,
        LEVEL - 4.0,
        right - 4.0,
        end - 4.0,
    );
    let [before, after] = slope.values.map(|value| number::fixed(value, slope.digits));
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{before}</text>\
         <text class=\"axt\" x=\"{:.1}\" y=\"{:.1}\">{after}</text>",
        left - 9.0,
        LEVEL + 4.5,
        right + 9.0,
        end + 4.5,
    );
    out
}

/// A name that fits the panel; the table tells the whole.
fn cut(name: &str) -> String {
    if name.chars().count() <= LETTERS {
        return name.to_owned();
    }
    let kept: String = name.chars().take(LETTERS - 1).collect();
    format!("{}…", kept.trim_end())
}
