//! Figures over third-octave bands. The head of the table is the axis of the
//! picture: both stand in the same columns.

use std::fmt::Write as _;

use super::super::document::{BandCurves, Figure, Point, Series, SeriesRole};
use super::super::number;
use super::markup::{escape, note};
use super::picture::{self, Parts};
use super::rails;

/// Width of the axis beside the columns, and of all columns together.
const AXIS: f64 = 84.0;
const COLUMNS: f64 = 918.0;
/// Height of a picture, and of one with rails.
const HEIGHTS: [f64; 2] = [260.0, 420.0];
/// Space above and below the figures.
const MARGIN: f64 = 14.0;
/// Narrowest column that can be read, on the screen.
const NARROWEST: usize = 41;

/// Width of a letter, about.
const LETTER: f64 = 7.0;

/// Levels to heights.
pub(super) struct Scale {
    low: f64,
    high: f64,
    step: f64,
    height: f64,
}

impl Scale {
    fn of(curves: &BandCurves) -> Self {
        let drawn = curves.series.iter().filter(|series| series.drawn);
        let ends = drawn.flat_map(|series| &series.points).flat_map(|point| {
            let ends = [point.block, point.figure.interval()].into_iter().flatten();
            let ends: Vec<f64> = ends.flat_map(|(low, high)| [low, high]).collect();
            ends.into_iter().chain(point.figure.value())
        });
        let zero = curves.zero.as_ref().map(|_| 0.0);
        // The meaning of a ceiling stands above it.
        let above = rails::hang(curves).then_some(5.0);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for end in ends.chain(zero).chain(above).filter(|end| end.is_finite()) {
            low = low.min(end);
            high = high.max(end);
        }
        if low > high {
            (low, high) = (0.0, 10.0);
        }
        let step = match high - low {
            span if span > 70.0 => 20.0,
            span if span > 25.0 => 10.0,
            span if span > 8.0 => 5.0,
            _ => 2.0,
        };
        // The picture ends near its figures, not at the next number on the axis.
        let fine = step / 4.0;
        let low = (low / fine).floor() * fine;
        Self {
            low,
            high: ((high / fine).ceil() * fine).max(low + 2.0 * step),
            step,
            height: HEIGHTS[usize::from(rails::any(curves))],
        }
    }

    pub(super) fn y(&self, level: f64) -> f64 {
        let share = (level - self.low) / (self.high - self.low);
        self.height - MARGIN - share * (self.height - 2.0 * MARGIN)
    }

    fn ticks(&self) -> impl Iterator<Item = f64> {
        let [first, last] = [
            (self.low / self.step).ceil() as i64,
            (self.high / self.step).floor() as i64,
        ];
        (first..=last).map(|n| n as f64 * self.step)
    }
}

/// Picture and table.
pub(super) fn figure(curves: &BandCurves, id: &str) -> String {
    let scale = Scale::of(curves);
    let title = escape(&curves.title);
    format!(
        "<figure><h3>{title}</h3><div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{title}: picture and table\">\
         <div class=\"bandbox\" style=\"min-width:{}px\"><div class=\"plot\">{}{}</div>{}</div></div>\
         <p class=\"swipe\">Picture and table scroll sideways.</p><figcaption>{}</figcaption>{}</figure>",
        84 + NARROWEST * curves.bands.len(),
        axis(curves, &scale),
        plot(curves, &scale, id),
        table(curves),
        escape(&curves.caption),
        curves
            .gaps()
            .iter()
            .map(|gap| note(gap))
            .collect::<String>(),
    )
}

/// The picture without its table: the bands are named below it, the series beside their
/// swatches.
pub(super) fn alone(curves: &BandCurves) -> Parts {
    let scale = Scale::of(curves);
    let height = scale.height;
    let inside = |svg: String| {
        svg.strip_prefix("<svg ")
            .unwrap_or(&svg)
            .replace("</svg>", "")
    };
    let mut inner = picture::nested(
        &inside(axis(curves, &scale)),
        (0.0, picture::TOP),
        (AXIS, height),
    );
    inner.push_str(&picture::nested(
        &inside(plot(curves, &scale, "f")),
        (AXIS, picture::TOP),
        (COLUMNS, height),
    ));
    let column = COLUMNS / curves.bands.len().max(1) as f64;
    let base = picture::TOP + height;
    for (position, hz) in curves.bands.iter().enumerate() {
        let _ = write!(
            inner,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            AXIS + (position as f64 + 0.5) * column,
            base + 16.0,
            number::band_label(*hz)
        );
    }
    let _ = write!(
        inner,
        "<text x=\"72\" y=\"{:.1}\" text-anchor=\"end\">Band, Hz</text>",
        base + 16.0
    );
    let mut rows = 0.0;
    for series in curves.series.iter().filter(|series| series.drawn) {
        let y = base + 40.0 + rows * 20.0;
        let filled = matches!(
            series.role,
            SeriesRole::Graded(_) | SeriesRole::Measured | SeriesRole::Change | SeriesRole::Hanging
        );
        if filled {
            let _ = write!(
                inner,
                "<rect class=\"{} {}\" x=\"{AXIS}\" y=\"{:.1}\" width=\"12\" height=\"12\"/>",
                if series.points.iter().any(|point| point.block.is_some()) {
                    "fil"
                } else {
                    "dot"
                },
                shade(series.role),
                y - 10.0
            );
        }
        let _ = write!(
            inner,
            "<text x=\"{}\" y=\"{y:.1}\">{}{}</text>",
            AXIS + 20.0,
            match series.role {
                SeriesRole::Target(_) => "Brackets: ",
                SeriesRole::Foot => "Foot of a rail: ",
                SeriesRole::Lid => "Lid of a rail: ",
                SeriesRole::Beside => "Pale marks: ",
                _ => "",
            },
            escape(&series.name)
        );
        rows += 1.0;
    }
    Parts {
        inner,
        size: (AXIS + COLUMNS, height + 34.0 + rows * 20.0),
        description: curves.description.clone(),
        caption: picture::wrapped(&escape(&curves.caption)),
    }
}

fn axis(curves: &BandCurves, scale: &Scale) -> String {
    let height = scale.height;
    let mut out = format!(
        "<svg class=\"ax\" viewBox=\"0 0 {AXIS} {height}\" aria-hidden=\"true\" focusable=\"false\">"
    );
    for tick in scale.ticks() {
        let _ = write!(
            out,
            "<text x=\"72\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            scale.y(tick) + 4.5,
            number::fixed(tick, 0)
        );
    }
    let _ = write!(
        out,
        "<text class=\"axt\" transform=\"translate(16 {}) rotate(-90)\" text-anchor=\"middle\">{} <tspan class=\"axu\">{}</tspan></text></svg>",
        height / 2.0,
        escape(&curves.quantity),
        escape(&curves.unit),
    );
    out
}

fn plot(curves: &BandCurves, scale: &Scale, id: &str) -> String {
    let column = COLUMNS / curves.bands.len().max(1) as f64;
    let height = scale.height;
    let drawn: Vec<&Series> = curves.series.iter().filter(|s| s.drawn).collect();
    let mut out = format!(
        "<svg class=\"pl\" viewBox=\"0 0 {COLUMNS} {height}\" role=\"img\" aria-labelledby=\"{id}t {id}d\">\
         <title id=\"{id}t\">{}</title><desc id=\"{id}d\">{}</desc>",
        escape(&curves.title),
        escape(&curves.description),
    );
    for (position, hz) in curves.bands.iter().enumerate() {
        let x = position as f64 * column;
        if octave(*hz) {
            let _ = write!(
                out,
                "<rect class=\"oct\" x=\"{x:.1}\" y=\"0\" width=\"{column:.1}\" height=\"{height}\"/>"
            );
        }
        let figure = |series: &&Series| series.points.get(position).and_then(|p| p.figure.value());
        if drawn.iter().all(|series| figure(series).is_none()) {
            let _ = write!(
                out,
                "<rect class=\"inval\" x=\"{:.1}\" y=\"0\" width=\"{:.1}\" height=\"{height}\"/>",
                x + 3.0,
                column - 6.0
            );
        }
    }
    for tick in scale.ticks() {
        let _ = write!(
            out,
            "<path class=\"grid\" d=\"M0 {:.1}H{COLUMNS}\"/>",
            scale.y(tick)
        );
    }
    if let Some(meaning) = &curves.zero {
        let zero = scale.y(0.0);
        let (x, y, anchor) = place(curves, scale, meaning);
        let _ = write!(
            out,
            "<path class=\"zero\" d=\"M0 {zero:.1}H{COLUMNS}\"/><text class=\"meaning\" x=\"{x}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>",
            escape(meaning)
        );
    }
    let blocks: Vec<&&Series> = drawn.iter().filter(|s| !rails::around(s.role)).collect();
    let slots = blocks.len().max(1) as f64;
    let width = (column * 0.78 / slots - 2.0).clamp(3.0, 18.0);
    for position in 0..curves.bands.len() {
        let middle = (position as f64 + 0.5) * column;
        let rail = rails::Rail::of(&drawn, position, middle, column);
        out.push_str(&rail.drawn(scale));
        // No block hides a bracket.
        let mut brackets = String::new();
        for (slot, series) in blocks.iter().enumerate() {
            let Some(point) = series.points.get(position) else {
                continue;
            };
            let x = middle + (slot as f64 - (slots - 1.0) / 2.0) * (width + 3.0);
            let target = rails::target_of(&drawn, series.role, position);
            match series.role {
                SeriesRole::Hanging => out.push_str(&rails::hanging(point, scale, x)),
                _ if rails::any(curves) && point.block.is_some() => {
                    let clip = format!("{id}c{position}-{slot}");
                    out.push_str(&rail.slim(point, shade(series.role), scale, (x, width), &clip));
                }
                _ => out.push_str(&mark(point, series.role, scale, x, width)),
            }
            if let Some(target) = target {
                brackets.push_str(&rails::brackets(target, scale, x, width));
            }
        }
        out.push_str(&brackets);
        out.push_str(&rail.ends(scale));
    }
    out.push_str("</svg>");
    out
}

/// Where the meaning of zero stands: above or below its line, where fewest figures are, at
/// an end of it if it can.
fn place(curves: &BandCurves, scale: &Scale, meaning: &str) -> (f64, f64, &'static str) {
    const LINE: f64 = 16.0;
    let zero = scale.y(0.0);
    let columns = curves.bands.len().max(1);
    let width = LETTER * meaning.chars().count() as f64;
    let column = COLUMNS / columns as f64;
    let wide = ((width / column).ceil() as usize).min(columns);
    let crossed = |columns: std::ops::Range<usize>, rows: [f64; 2]| {
        let drawn = curves.series.iter().filter(|series| series.drawn);
        let points = drawn.flat_map(|series| series.points.get(columns.clone()).unwrap_or(&[]));
        let reaches = |point: &&Point| {
            let value = point.figure.value().map(|value| (value, value));
            let ends = point.figure.interval().or(value);
            ends.is_some_and(|(low, high)| {
                scale.y(high) - 5.0 < rows[1] && scale.y(low) + 5.0 > rows[0]
            })
        };
        points.filter(reaches).count()
    };
    let at = |from: usize| (from..from + wide, from as f64 * column + 6.0, "start");
    let ends = [at(0), (columns - wide..columns, COLUMNS - 6.0, "end")];
    let places: Vec<_> = ends
        .into_iter()
        .chain((1..columns - wide).map(at))
        .collect();
    let above = (zero - 6.0, [zero - LINE, zero - 3.0]);
    let below = (zero + LINE, [zero + 3.0, zero + LINE + 3.0]);
    let heights = match rails::hang(curves) || zero > scale.height - 24.0 {
        true => vec![above],
        false => vec![below, above],
    };
    let each = places.iter().flat_map(|(columns, x, anchor)| {
        let of = heights.iter();
        of.map(move |(y, rows)| (crossed(columns.clone(), *rows), (*x, *y, *anchor)))
    });
    let best = each.min_by_key(|(crossed, _)| *crossed);
    best.map_or((6.0, zero - 6.0, "start"), |(_, place)| place)
}

/// Block, waist and the thin line of the uncertainty.
fn mark(point: &Point, role: SeriesRole, scale: &Scale, x: f64, width: f64) -> String {
    let Some(value) = point.figure.value() else {
        return String::new();
    };
    let y = scale.y(value);
    let left = x - width / 2.0;
    let mut out = String::new();
    if let Some((low, high)) = point.block {
        let (top, bottom) = (scale.y(high), scale.y(low));
        if y < top || y > bottom {
            let end = if y < top { top } else { bottom };
            let _ = write!(out, "<path class=\"stem\" d=\"M{x:.1} {y:.1}V{end:.1}\"/>");
        }
        let _ = write!(
            out,
            "<rect class=\"fil {}\" x=\"{left:.1}\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"{:.1}\"/>\
             <path class=\"halo\" d=\"M{left:.1} {y:.1}h{width:.1}\"/><path class=\"waist\" d=\"M{:.1} {y:.1}H{:.1}\"/>",
            shade(role),
            (bottom - top).max(1.0),
            left - 2.5,
            left + width + 2.5
        );
        return out;
    }
    if let Some((low, high)) = point.figure.interval() {
        let (top, bottom) = (scale.y(high), scale.y(low));
        let _ = write!(
            out,
            "<path class=\"iv\" d=\"M{x:.1} {top:.1}V{bottom:.1}\"/>"
        );
    }
    let holds_zero = |(low, high)| low <= 0.0 && high >= 0.0;
    let still = role == SeriesRole::Change && point.figure.interval().is_some_and(holds_zero);
    let _ = write!(
        out,
        "<rect class=\"dot {}\" x=\"{left:.1}\" y=\"{:.1}\" width=\"{width:.1}\" height=\"8\" rx=\"1.5\"/>",
        if still { "still" } else { shade(role) },
        y - 4.0
    );
    let wedge = match point.figure {
        Figure::AtLeast(_) => Some((y - 7.0, -9.0)),
        Figure::AtMost(_) => Some((y + 7.0, 9.0)),
        _ => None,
    };
    if let Some((from, by)) = wedge {
        let half = width / 2.0;
        let _ = write!(
            out,
            "<path class=\"wedge\" d=\"M{left:.1} {from:.1}l{half:.1} {by}l{half:.1} {}\"/>",
            -by
        );
    }
    out
}

fn shade(role: SeriesRole) -> &'static str {
    match role {
        SeriesRole::Graded(0) => "b1",
        SeriesRole::Graded(2..) => "b3",
        SeriesRole::Graded(_) => "b2",
        SeriesRole::Measured | SeriesRole::Change | SeriesRole::Hanging => "m",
        SeriesRole::Beside => "s",
        SeriesRole::Target(_) => "tg",
        SeriesRole::Foot => "foot",
        SeriesRole::Lid => "lid",
    }
}

fn octave(nominal_hz: f64) -> bool {
    const OCTAVES: [f64; 10] = [
        31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0,
    ];
    OCTAVES.contains(&nominal_hz)
}

fn table(curves: &BandCurves) -> String {
    let longest = curves
        .series
        .iter()
        .flat_map(|series| &series.points)
        .map(|point| number::narrow(&point.figure).chars().count())
        .fold(5, usize::max);
    // A figure is some 0.56 em wide; the columns take 91.6 % of the width.
    let size = (90.0 / curves.bands.len().max(1) as f64 / (0.56 * longest as f64)).min(1.32);
    let mut out = format!(
        "<table class=\"bt\" style=\"font-size:clamp(7px,{size:.2}cqw,13.5px)\"><caption class=\"vh\">{}, {}</caption><thead><tr><th scope=\"col\">Band, Hz</th>",
        escape(&curves.title),
        escape(&curves.unit)
    );
    let open = |hz: f64| {
        if octave(hz) {
            "<td class=\"o\">"
        } else {
            "<td>"
        }
    };
    for hz in &curves.bands {
        let octave = if octave(*hz) { " class=\"o\"" } else { "" };
        let _ = write!(
            out,
            "<th scope=\"col\"{octave}>{}</th>",
            number::band_label(*hz)
        );
    }
    out.push_str("</tr></thead><tbody>");
    let row = |out: &mut String, class: &str, head: &str, cells: Vec<String>| {
        let _ = write!(out, "<tr class=\"{class}\"><th scope=\"row\">{head}</th>");
        for (hz, cell) in curves.bands.iter().zip(cells) {
            let _ = write!(out, "{}{cell}</td>", open(*hz));
        }
        out.push_str("</tr>");
    };
    let roles = curves.series.iter().filter(|s| s.drawn).map(|s| s.role);
    let roles: Vec<SeriesRole> = roles.collect();
    let told_apart = roles.iter().any(|role| *role != roles[0]);
    for series in &curves.series {
        let common = number::common(&series.points);
        let stated = |point: &Point| matches!(point.figure, Figure::Measured(_, Some(_)));
        let own_row = common.is_none() && series.points.iter().any(stated);
        let swatch = if series.drawn && told_apart {
            format!("<i class=\"sw {}\"></i>", shade(series.role))
        } else {
            String::new()
        };
        let measured = |point: &Point| matches!(point.figure, Figure::Measured(..));
        let spread = match common {
            _ if series.exact() => String::new(),
            Some(u) => format!("<small>each ±\u{a0}{u}</small>"),
            None if matches!(series.role, SeriesRole::Target(_)) => String::new(),
            None if own_row || !series.points.iter().any(measured) => String::new(),
            None => "<small>± not stated</small>".to_owned(),
        };
        let class = match series.role {
            SeriesRole::Foot | SeriesRole::Lid => "ink",
            SeriesRole::Target(_) => "tg",
            _ if series.drawn => "dev",
            _ => "q",
        };
        let figures = |told: fn(&Figure) -> String| {
            series
                .points
                .iter()
                .map(|p| told(&p.figure))
                .collect::<Vec<_>>()
        };
        let head = format!("{swatch}{}{spread}", escape(&series.name));
        row(&mut out, class, &head, figures(number::narrow));
        if own_row {
            row(&mut out, "q u", "± (k = 2)", figures(number::uncertainty));
        }
    }
    out.push_str("</tbody></table>");
    out
}
