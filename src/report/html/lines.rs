//! Narrow lines over time and frequency: what rings is ringed.

use std::fmt::Write as _;

use super::super::document::{Line, Lines};
use super::super::number;
use super::markup::{DRAWING_CLOSED, figure_opened};

const LEFT: f64 = 84.0;
const WIDTH: f64 = 1002.0;
const HEIGHT: f64 = 260.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 34.0;
/// Frequencies that an axis names.
pub(super) const TICKS_HZ: [f64; 9] = [
    63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0,
];
/// Most oscillations that get a label of their own.
const LABELS: usize = 6;

struct Axes {
    duration_s: f64,
    low_hz: f64,
    high_hz: f64,
}

impl Axes {
    fn x(&self, seconds: f64) -> f64 {
        LEFT + (seconds / self.duration_s).clamp(0.0, 1.0) * (WIDTH - LEFT - 8.0)
    }

    fn y(&self, hz: f64) -> f64 {
        let share = (hz / self.low_hz).ln() / (self.high_hz / self.low_hz).ln();
        HEIGHT - BOTTOM - share.clamp(0.0, 1.0) * (HEIGHT - TOP - BOTTOM)
    }
}

/// The picture; the tables of the section are its text alternative.
pub(super) fn figure(lines: &Lines, id: &str) -> String {
    let all = || lines.lines.iter().map(|line| line.frequency_hz);
    let axes = Axes {
        duration_s: lines.duration_s.max(0.1),
        low_hz: all().fold(100.0_f64, |low, hz| low.min(hz * 0.9)).max(10.0),
        high_hz: all().fold(10_000.0_f64, |high, hz| high.max(hz * 1.1)),
    };
    let mut out = figure_opened(&lines.title, &lines.description, [WIDTH, HEIGHT], id);
    grid(&mut out, &axes);
    let (events, explained): (Vec<&Line>, Vec<&Line>) =
        lines.lines.iter().partition(|line| line.event);
    for line in explained {
        let _ = write!(
            out,
            "<path class=\"quiet\" d=\"M{:.1} {:.1}H{:.1}\"/>",
            axes.x(line.from_s),
            axes.y(line.frequency_hz),
            axes.x(line.to_s)
        );
    }
    for line in &events {
        let (x, y) = (axes.x(line.from_s), axes.y(line.frequency_hz));
        let long = axes.x(line.to_s) - x;
        ring(&mut out, x, y, long);
        let _ = write!(
            out,
            "<path class=\"loud\" d=\"M{x:.1} {y:.1}H{:.1}\"/>",
            x + long
        );
    }
    labels(&mut out, &axes, &events);
    out.push_str(DRAWING_CLOSED);
    out.push_str("<figcaption>");
    out.push_str(match events.as_slice() {
        [] => "Thin lines: lasting lines of the force that have an explanation.",
        _ => "Ringed: lasting lines of the force that nothing explains. Thin lines: those with another explanation.",
    });
    out.push_str("</figcaption></figure>");
    out
}

/// A ring around a line that begins at `x` and is `long`.
pub(super) fn ring(out: &mut String, x: f64, y: f64, long: f64) {
    for class in ["ringh", "ring"] {
        let _ = write!(
            out,
            "<rect class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"17\" rx=\"8.5\"/>",
            x - 6.0,
            y - 8.5,
            long + 12.0
        );
    }
}

/// Marks of an axis of time, at most `most` of them, with their labels.
pub(super) fn seconds(duration_s: f64, most: f64) -> impl Iterator<Item = (f64, String)> {
    let step = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0]
        .into_iter()
        .find(|step| duration_s / step <= most)
        .unwrap_or(600.0);
    let count = (duration_s / step).floor() as usize;
    (0..=count).map(move |n| {
        let tick = n as f64 * step;
        let unit = if n == 0 { " s" } else { "" };
        let figure = number::fixed(tick, if step < 1.0 { 1 } else { 0 });
        (tick, format!("{figure}{unit}"))
    })
}

fn grid(out: &mut String, axes: &Axes) {
    let inside = |hz: &&f64| (axes.low_hz..=axes.high_hz).contains(*hz);
    for hz in TICKS_HZ.iter().filter(inside) {
        let y = axes.y(*hz);
        let _ = write!(
            out,
            "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{WIDTH}\"/><text x=\"72\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            y + 4.5,
            number::band_label(*hz)
        );
    }
    let base = HEIGHT - BOTTOM;
    let _ = write!(out, "<path class=\"axl\" d=\"M{LEFT} {base}H{WIDTH}\"/>");
    for (tick, label) in seconds(axes.duration_s, 12.0) {
        let x = axes.x(tick);
        let _ = write!(
            out,
            "<path class=\"axl\" d=\"M{x:.1} {base}v5\"/><text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{label}</text>",
            base + 19.0
        );
    }
    let _ = write!(
        out,
        "<text class=\"axt\" transform=\"translate(16 {}) rotate(-90)\" text-anchor=\"middle\">Frequency <tspan class=\"axu\">Hz</tspan></text>",
        (TOP + base) / 2.0
    );
}

/// Labels of the longest events that do not lie on one another.
fn labels(out: &mut String, axes: &Axes, events: &[&Line]) {
    let mut ranked: Vec<&&Line> = events.iter().collect();
    ranked.sort_by(|a, b| (b.to_s - b.from_s).total_cmp(&(a.to_s - a.from_s)));
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for line in ranked.into_iter().take(LABELS) {
        let at = axes.y(line.frequency_hz);
        let y = if at > TOP + 30.0 {
            at - 14.0
        } else {
            at + 24.0
        };
        let x = axes.x(line.from_s).min(WIDTH - 90.0);
        let free = |(tx, ty): &(f64, f64)| (tx - x).abs() > 90.0 || (ty - y).abs() > 16.0;
        if taken.iter().all(free) {
            let _ = write!(
                out,
                "<text class=\"ringing\" x=\"{x:.1}\" y=\"{y:.1}\">{}</text>",
                number::frequency(line.frequency_hz)
            );
            taken.push((x, y));
        }
    }
}
