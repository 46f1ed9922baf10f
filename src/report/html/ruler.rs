//! Distance to an edge: a ruler with one block for each figure.

use std::fmt::Write as _;

use super::super::document::{Figure, Post, Ruler};
use super::super::number;
use super::markup::{DRAWING_CLOSED, escape, figure_opened};

const LEFT: f64 = 220.0;
const WIDTH: f64 = 1002.0;
const ROW: f64 = 34.0;
const TOP: f64 = 30.0;
/// Width of a letter, about.
const LETTER: f64 = 7.5;

/// The picture; the table of the section is its text alternative.
pub(super) fn figure(ruler: &Ruler, id: &str) -> String {
    let ends = ruler
        .posts
        .iter()
        .filter_map(|post| match post.figure.interval() {
            Some((_, high)) => Some(high),
            None => post.figure.value(),
        });
    let most = ends.fold(12.0, f64::max).min(40.0);
    let x = |db: f64| LEFT + (db.clamp(0.0, most) / most) * (WIDTH - LEFT - 90.0);
    let base = TOP + ROW * ruler.posts.len() as f64;
    let title = escape(&ruler.title);
    let mut out = figure_opened(&ruler.title, &ruler.description, [WIDTH, base + 42.0], id);
    let _ = write!(
        out,
        "<path class=\"zero\" d=\"M{LEFT} 22V{base}\"/><text x=\"{LEFT}\" y=\"14\" text-anchor=\"middle\">edge: it oscillates</text>\
         <path class=\"axl\" d=\"M{0:.1} 22V{base}\"/><text x=\"{0:.1}\" y=\"14\">from here on far enough</text>\
         <path class=\"axl\" d=\"M{LEFT} {base}H{1:.1}\"/>",
        x(ruler.asked_for),
        x(most),
    );
    let mut tick = 0.0;
    while tick <= most {
        let at = x(tick);
        let _ = write!(
            out,
            "<path class=\"axl\" d=\"M{at:.1} {base}v5\"/><text x=\"{at:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            base + 19.0,
            number::fixed(tick, 0)
        );
        tick += if most > 24.0 { 6.0 } else { 3.0 };
    }
    let _ = write!(
        out,
        "<text class=\"axt\" x=\"{:.1}\" y=\"{}\" text-anchor=\"end\">{} <tspan class=\"axu\">{}</tspan></text>",
        x(most),
        base + 38.0,
        title,
        escape(&ruler.unit)
    );
    for (row, post) in ruler.posts.iter().enumerate() {
        mark(&mut out, post, TOP + ROW * (row as f64 + 0.5), &x);
    }
    out.push_str(DRAWING_CLOSED);
    out.push_str("<figcaption>Block: the margin; thin line through it: its uncertainty; a wedge: only a bound is known, and the margin lies anywhere on the dotted line.</figcaption></figure>");
    out
}

fn mark(out: &mut String, post: &Post, y: f64, x: &dyn Fn(f64) -> f64) {
    let _ = write!(
        out,
        "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
        LEFT - 12.0,
        y + 4.5,
        escape(&post.name)
    );
    let at = match &post.figure {
        Figure::Measured(db, _) => {
            if let Some((low, high)) = post.figure.interval() {
                let _ = write!(
                    out,
                    "<path class=\"iv\" d=\"M{:.1} {y:.1}H{:.1}\"/>",
                    x(low),
                    x(high)
                );
            }
            let _ = write!(
                out,
                "<rect class=\"fil m\" x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"18\"/>",
                x(*db) - 4.0,
                y - 9.0
            );
            x(*db)
        }
        Figure::AtMost(db) => {
            let _ = write!(
                out,
                "<path class=\"open\" d=\"M{LEFT} {y:.1}H{:.1}\"/><path class=\"wedge\" d=\"M{:.1} {:.1}l-12 9 12 9z\"/>",
                x(*db),
                x(*db) + 12.0,
                y - 9.0
            );
            x(*db)
        }
        Figure::AtLeast(db) => {
            let _ = write!(
                out,
                "<path class=\"open\" d=\"M{:.1} {y:.1}H{:.1}\"/><path class=\"wedge\" d=\"M{:.1} {:.1}l12 9 -12 9z\"/>",
                (x(*db) + 22.0 + LETTER * number::pair(&post.figure).chars().count() as f64)
                    .min(x(f64::INFINITY)),
                x(f64::INFINITY),
                x(*db),
                y - 9.0
            );
            x(*db)
        }
        Figure::Absent(_) => return,
    };
    let _ = write!(
        out,
        "<text class=\"meaning\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
        at + 22.0,
        y + 4.5,
        escape(&number::pair(&post.figure))
    );
}
