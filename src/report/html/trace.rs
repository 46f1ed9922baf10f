//! Curves over a continuous axis, for the expert: lines between close points, with marks.

use std::fmt::Write as _;

use super::super::document::Trace;
use super::super::number;
use super::lines::TICKS_HZ;
use super::markup::{DRAWING_CLOSED, escape, figure_opened};

const LEFT: f64 = 84.0;
const WIDTH: f64 = 1002.0;
const HEIGHT: f64 = 250.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 44.0;
const RIGHT: f64 = 14.0;
/// Width of a mark's label.
const LABEL: f64 = 130.0;
/// Half the width of a limit.
const HALF: f64 = 9.0;

struct Axes {
    x: [f64; 2],
    y: [f64; 2],
    octaves: bool,
}

impl Axes {
    fn of(trace: &Trace) -> Option<Self> {
        let points = || trace.points.iter();
        let ends = trace.limits.iter().flat_map(|(_, ends)| ends).flatten();
        let heights = || {
            points()
                .chain(&trace.fitted)
                .map(|p| p.1)
                .chain(ends.clone().copied())
        };
        let marked = trace.marks.iter().map(|(at, _)| *at);
        let x = [
            marked.clone().fold(points().next()?.0, f64::min),
            marked.fold(points().last()?.0, f64::max),
        ];
        let low = heights().fold(f64::INFINITY, f64::min);
        let high = heights().fold(f64::NEG_INFINITY, f64::max);
        let room = (0.08 * (high - low)).max(0.05);
        (x[1] > x[0] && low.is_finite()).then_some(Self {
            x,
            y: [low - room, high + room],
            octaves: trace.octaves,
        })
    }

    fn x(&self, value: f64) -> f64 {
        let scaled = |x: f64| if self.octaves { x.log2() } else { x };
        let [from, to] = self.x.map(scaled);
        LEFT + (scaled(value) - from) / (to - from) * (WIDTH - LEFT - RIGHT)
    }

    /// Labelled places across.
    fn places(&self) -> Vec<(f64, String)> {
        if !self.octaves {
            return ticks(self.x, 12.0).collect();
        }
        let inside = TICKS_HZ
            .into_iter()
            .filter(|hz| (self.x[0]..=self.x[1]).contains(hz));
        inside.map(|hz| (hz, number::band_label(hz))).collect()
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value - self.y[0]) / (self.y[1] - self.y[0]);
        HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)
    }
}

/// Round figures within a range, at most `most` of them, and their decimals.
fn ticks([from, to]: [f64; 2], most: f64) -> impl Iterator<Item = (f64, String)> {
    let rough = (to - from) / most;
    let magnitude = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .map(|n| n * magnitude)
        .into_iter()
        .find(|step| *step >= rough)
        .unwrap_or(10.0 * magnitude);
    let decimals = (-step.log10().floor()).clamp(0.0, 4.0) as usize;
    let first = (from / step).ceil() as i64;
    let last = (to / step).floor() as i64;
    (first..=last).map(move |n| {
        let tick = n as f64 * step;
        (tick, number::fixed(tick, decimals))
    })
}

/// The picture; empty where there is nothing to draw.
pub(super) fn figure(trace: &Trace, id: &str) -> String {
    let Some(axes) = Axes::of(trace) else {
        return String::new();
    };
    let mut out = figure_opened(&trace.title, &trace.description, [WIDTH, HEIGHT], id);
    let base = HEIGHT - BOTTOM;
    for (tick, label) in ticks(axes.y, 5.0) {
        let y = axes.y(tick);
        let class = if tick == 0.0 { "zero" } else { "grid" };
        let _ = write!(
            out,
            "<path class=\"{class}\" d=\"M{LEFT} {y:.1}H{}\"/><text x=\"72\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
            WIDTH - RIGHT,
            y + 4.5
        );
    }
    let _ = write!(
        out,
        "<path class=\"axl\" d=\"M{LEFT} {base}H{}\"/>",
        WIDTH - RIGHT
    );
    for (tick, label) in axes.places() {
        let x = axes.x(tick);
        let _ = write!(
            out,
            "<path class=\"axl\" d=\"M{x:.1} {base}v5\"/><text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{label}</text>",
            base + 19.0
        );
    }
    let across: Vec<f64> = trace.marks.iter().map(|(at, _)| axes.x(*at)).collect();
    for (n, (x, (_, label))) in across.iter().zip(&trace.marks).enumerate() {
        let near = |other: Option<&f64>| other.is_some_and(|other| (x - other).abs() < LABEL);
        let anchor = match (near(across[..n].last()), near(across.get(n + 1))) {
            (false, true) => "end",
            (true, false) => "start",
            _ => "middle",
        };
        let _ = write!(
            out,
            "<path class=\"axl\" d=\"M{x:.1} {TOP}V{base}\"/><text class=\"meaning\" x=\"{x:.1}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
            TOP - 10.0,
            escape(label)
        );
    }
    for (at, ends) in &trace.limits {
        limit(&mut out, &axes, axes.x(*at), *ends);
    }
    let mut path = String::new();
    let line = match trace.fitted.is_empty() {
        true => &trace.points,
        false => &trace.fitted,
    };
    for (n, (x, y)) in line.iter().enumerate() {
        let pen = if n == 0 { 'M' } else { 'L' };
        let _ = write!(path, "{pen}{:.1} {:.1}", axes.x(*x), axes.y(*y));
    }
    let dot = match (trace.fitted.is_empty(), trace.dotted) {
        (false, _) => Some(("dot b1", 2.4)),
        (true, true) => Some(("end", 4.0)),
        (true, false) => None,
    };
    if let Some((class, radius)) = dot {
        for (x, y) in &trace.points {
            let (x, y) = (axes.x(*x), axes.y(*y));
            let _ = write!(
                out,
                "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\"/>"
            );
        }
    }
    let [across, up] = &trace.axes;
    let _ = write!(
        out,
        "<path class=\"slope\" d=\"{path}\"/>\
         <text class=\"axt\" x=\"{}\" y=\"{}\" text-anchor=\"end\">{} <tspan class=\"axu\">{}</tspan></text>\
         <text class=\"axt\" transform=\"translate(16 {}) rotate(-90)\" text-anchor=\"middle\">{} <tspan class=\"axu\">{}</tspan></text>",
        WIDTH - RIGHT,
        base + 38.0,
        escape(&across[0]),
        escape(&across[1]),
        (TOP + base) / 2.0,
        escape(&up[0]),
        escape(&up[1]),
    );
    let _ = write!(
        out,
        "{DRAWING_CLOSED}<figcaption>{}</figcaption></figure>",
        escape(&trace.caption)
    );
    out
}

/// A rail between both ends of where the curve should lie, and its ends.
fn limit(out: &mut String, axes: &Axes, x: f64, ends: [Option<f64>; 2]) {
    let [low, high] = ends.map(|end| end.map(|end| axes.y(end)));
    if let (Some(low), Some(high)) = (low, high) {
        let (left, height, width) = (x - HALF, low - high, 2.0 * HALF);
        let _ = write!(
            out,
            "<rect class=\"rail\" x=\"{left:.1}\" y=\"{high:.1}\" width=\"{width}\" height=\"{height:.1}\"/>"
        );
    }
    for (y, class) in [(low, "foot"), (high, "lid")] {
        if let Some(y) = y {
            let (left, width) = (x - HALF, 2.0 * HALF);
            let _ = write!(
                out,
                "<path class=\"{class}\" d=\"M{left:.1} {y:.1}h{width}\"/>"
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_few() {
        let of = |from, to| -> Vec<String> { ticks([from, to], 5.0).map(|t| t.1).collect() };
        assert_eq!(of(0.0, 1.0), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(of(-7.0, 12.0), ["\u{2212}5", "0", "5", "10"]);
    }
}
