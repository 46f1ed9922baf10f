//! Two channels over time and frequency, side by side: what rings in the force
//! is ringed there, and missing beside it.

use std::fmt::Write as _;

use super::super::document::{LevelMap, Line, Maps};
use super::super::number;
use super::lines::{ring, seconds};
use super::markup::{DRAWING_CLOSED, escape, figure_opened};

const WIDTH: f64 = 1002.0;
const HEIGHT: f64 = 290.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 34.0;
/// Left edges of both maps, and their width.
const LEFTS: [f64; 2] = [84.0, 562.0];
const WIDE: f64 = 432.0;
/// Steps of colour, and decibels of each.
const STEPS: usize = 6;
const STEP_DB: f64 = 9.0;
/// Most oscillations that get a label of their own.
const LABELS: usize = 3;

struct Axes<'a> {
    left: f64,
    duration_s: f64,
    bands: &'a [f64],
}

impl Axes<'_> {
    fn x(&self, seconds: f64) -> f64 {
        self.left + (seconds / self.duration_s).clamp(0.0, 1.0) * WIDE
    }

    fn row(&self) -> f64 {
        (HEIGHT - TOP - BOTTOM) / self.bands.len().max(1) as f64
    }

    /// Rows stand a third octave apart.
    fn y(&self, hz: f64) -> f64 {
        let lowest = self.bands.first().copied().unwrap_or(1.0);
        let rows = (10.0 * (hz / lowest).log10() + 0.5).clamp(0.0, self.bands.len() as f64);
        HEIGHT - BOTTOM - rows * self.row()
    }
}

/// The picture; the tables of the section are its text alternative.
pub(super) fn figure(maps: &Maps, id: &str) -> String {
    let mut out = figure_opened(
        &maps.lines.title,
        &maps.lines.description,
        [WIDTH, HEIGHT],
        id,
    );
    let axes = LEFTS.map(|left| Axes {
        left,
        duration_s: maps.lines.duration_s.max(0.1),
        bands: &maps.bands,
    });
    for (map, axes) in maps.maps.iter().zip(&axes) {
        field(&mut out, map, maps.step_s, axes);
        scales(&mut out, map, axes);
    }
    rings(&mut out, &maps.lines.lines, &axes[0]);
    let _ = write!(
        out,
        "{DRAWING_CLOSED}<p class=\"steps\"><span>quiet</span>{}<span>strong</span></p>\
         <figcaption>Third-octave levels in steps of {STEP_DB} dB below the strongest of each map. Ringed: lasting lines of the force that the sound beside it does not explain.</figcaption></figure>",
        (0..STEPS)
            .map(|step| format!("<i class=\"m{step}\"></i>"))
            .collect::<String>()
    );
    out
}

/// The levels: one path for each step of colour.
fn field(out: &mut String, map: &LevelMap, step_s: f64, axes: &Axes<'_>) {
    let all = || map.levels.iter().flatten().flatten();
    let top = all().copied().fold(f64::NEG_INFINITY, f64::max);
    let step = |level: &Option<f64>| match level {
        Some(db) => (STEPS - 1).saturating_sub(((top - db) / STEP_DB) as usize),
        None => 0,
    };
    let mut paths = vec![String::new(); STEPS];
    let tall = axes.row();
    for (row, levels) in map.levels.iter().enumerate() {
        let y = HEIGHT - BOTTOM - (row as f64 + 1.0) * tall;
        let mut from = 0;
        for run in levels.chunk_by(|a, b| step(a) == step(b)) {
            let (x, end) = (from as f64 * step_s, (from + run.len()) as f64 * step_s);
            let (x, end) = (axes.x(x), axes.x(end));
            let path = &mut paths[step(&run[0])];
            let _ = write!(path, "M{x:.1} {y:.1}H{end:.1}v{tall:.1}H{x:.1}z");
            from += run.len();
        }
    }
    let _ = write!(
        out,
        "<rect class=\"m0\" x=\"{}\" y=\"{TOP}\" width=\"{WIDE}\" height=\"{:.1}\"/>",
        axes.left,
        HEIGHT - TOP - BOTTOM
    );
    for (step, path) in paths.iter().enumerate().skip(1) {
        if !path.is_empty() {
            let _ = write!(out, "<path class=\"m{step}\" d=\"{path}\"/>");
        }
    }
}

fn scales(out: &mut String, map: &LevelMap, axes: &Axes<'_>) {
    let (left, base) = (axes.left, HEIGHT - BOTTOM);
    let _ = write!(
        out,
        "<text class=\"axt\" x=\"{left}\" y=\"18\">{} <tspan class=\"axu\">Hz over s</tspan></text>\
         <path class=\"axl\" d=\"M{left} {base}H{}\"/>",
        escape(&map.name),
        left + WIDE
    );
    for hz in [250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0] {
        if axes.bands.contains(&hz) {
            let _ = write!(
                out,
                "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                left - 8.0,
                axes.y(hz) + 4.5,
                number::band_label(hz)
            );
        }
    }
    for (second, label) in seconds(axes.duration_s, 8.0) {
        let x = axes.x(second);
        let _ = write!(
            out,
            "<path class=\"axl\" d=\"M{x:.1} {base}v5\"/><text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{label}</text>",
            base + 19.0
        );
    }
}

fn rings(out: &mut String, lines: &[Line], axes: &Axes<'_>) {
    let mut events: Vec<&Line> = lines.iter().filter(|line| line.event).collect();
    events.sort_by(|a, b| (b.to_s - b.from_s).total_cmp(&(a.to_s - a.from_s)));
    let mut taken: Vec<f64> = Vec::new();
    for event in events {
        let (x, y) = (axes.x(event.from_s), axes.y(event.frequency_hz));
        ring(out, x, y, axes.x(event.to_s) - x);
        let above = if y > TOP + 30.0 { y - 14.0 } else { y + 24.0 };
        if taken.len() < LABELS && taken.iter().all(|other| (other - above).abs() > 16.0) {
            let _ = write!(
                out,
                "<text class=\"ringing\" x=\"{:.1}\" y=\"{above:.1}\">{} for {}</text>",
                x.min(axes.left + WIDE - 130.0),
                number::frequency(event.frequency_hz),
                number::seconds(event.to_s - event.from_s)
            );
            taken.push(above);
        }
    }
}
