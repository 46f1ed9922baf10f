//! Gains by the angle that the sound comes from: one circle for each band, the front up.

use std::fmt::Write as _;

use super::super::document::{Circle, Figure, Polar};
use super::super::number;
use super::markup::{DRAWING_CLOSED, escape, figure_opened};

/// Circles in a row, and what one takes.
const ROW: usize = 4;
const WIDTH: f64 = 250.5;
const HEIGHT: f64 = 260.0;
/// The middle of a circle, and its rim.
const MIDDLE: [f64; 2] = [125.0, 142.0];
const RIM: f64 = 82.0;
/// From the middle to the rim, and from ring to ring, in dB.
const SPAN_DB: f64 = 30.0;
const RING_DB: f64 = 10.0;
/// Steps of the rim, and how far a gain may lie beyond it, in dB.
const STEP_DB: f64 = 5.0;
const BEYOND_DB: f64 = 1.0;
/// Degrees from point to point of a fitted pattern.
const STRIDE_DEG: usize = 3;

/// The picture; the tables of the section are its text alternative.
pub(super) fn figure(polar: &Polar, id: &str) -> String {
    let rows = polar.circles.len().div_ceil(ROW);
    let size = [WIDTH * ROW as f64, HEIGHT * rows as f64];
    let opened = figure_opened(&polar.title, &polar.description, size, id);
    let mut out = opened.replacen("\"stripbox\"", "\"stripbox polarbox\"", 1);
    let scale = Scale::of(polar);
    for (position, circle) in polar.circles.iter().enumerate() {
        let (column, row) = (position % ROW, position / ROW);
        let _ = write!(
            out,
            "<g class=\"polar\" transform=\"translate({} {})\">{}{}{}{}</g>",
            WIDTH * column as f64,
            HEIGHT * row as f64,
            scale.rings(circle.nominal_hz),
            circle
                .first_order
                .map_or(String::new(), |a| scale.fitted(a)),
            scale.levels(),
            scale.points(circle),
        );
    }
    let _ = write!(
        out,
        "{DRAWING_CLOSED}<figcaption>{}</figcaption></figure>",
        escape(&polar.caption)
    );
    out
}

/// All circles of a picture share it.
struct Scale {
    rim_db: f64,
}

impl Scale {
    fn of(polar: &Polar) -> Self {
        let points = polar.circles.iter().flat_map(|circle| &circle.points);
        let most = points
            .filter_map(|(_, figure)| figure.value())
            .fold(0.0, f64::max);
        let rim_db = ((most - BEYOND_DB) / STEP_DB).ceil() * STEP_DB;
        Self {
            rim_db: rim_db.max(0.0),
        }
    }

    fn radius(&self, db: f64) -> f64 {
        ((db - self.rim_db) / SPAN_DB + 1.0).max(0.0) * RIM
    }

    fn at(&self, angle_deg: f64, db: f64) -> [f64; 2] {
        let (sine, cosine) = angle_deg.to_radians().sin_cos();
        let radius = self.radius(db);
        [MIDDLE[0] + radius * sine, MIDDLE[1] - radius * cosine]
    }

    /// Rings with their levels, and the four directions.
    fn rings(&self, nominal_hz: f64) -> String {
        let [x, y] = MIDDLE;
        let mut out = format!(
            "<text class=\"axt\" x=\"{x}\" y=\"16\" text-anchor=\"middle\">{}</text>\
             <path class=\"grid\" d=\"M{} {y}H{}M{x} {}V{}\"/>",
            number::band(nominal_hz),
            x - RIM,
            x + RIM,
            y - RIM,
            y + RIM
        );
        for db in self.inner() {
            let _ = write!(
                out,
                "<circle class=\"grid\" cx=\"{x}\" cy=\"{y}\" r=\"{:.1}\"/>",
                self.radius(db)
            );
        }
        let _ = write!(
            out,
            "<circle class=\"axl rim\" cx=\"{x}\" cy=\"{y}\" r=\"{RIM}\"/>"
        );
        let front = format!("front, {}\u{a0}dB", number::fixed(self.rim_db, 0));
        for (text, [across, down], anchor) in [
            (front.as_str(), [0.0, -RIM - 12.0], "middle"),
            ("90°", [RIM + 6.0, 4.5], "start"),
            ("back", [0.0, RIM + 24.0], "middle"),
            ("\u{2212}90°", [-RIM - 6.0, 4.5], "end"),
        ] {
            let _ = write!(
                out,
                "<text x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\">{text}</text>",
                x + across,
                y + down
            );
        }
        out
    }

    /// Levels of the rings inside the rim.
    fn inner(&self) -> impl Iterator<Item = f64> {
        let (rim, lowest) = (self.rim_db, self.rim_db - SPAN_DB);
        let below = (lowest / RING_DB).floor() * RING_DB;
        let all = (1..).map(move |n| below + RING_DB * f64::from(n));
        all.take_while(move |db| *db < rim)
    }

    /// What the rings and the middle stand for, over whatever is drawn there.
    fn levels(&self) -> String {
        let [x, y] = MIDDLE;
        let mut out = String::new();
        let lowest = self.rim_db - SPAN_DB;
        for (db, unit) in self.inner().map(|db| (db, "")).chain([(lowest, " dB")]) {
            let _ = write!(
                out,
                "<text class=\"meaning\" x=\"{x}\" y=\"{:.1}\" text-anchor=\"middle\">{}{unit}</text>",
                y - self.radius(db) + 4.5,
                number::fixed(db, 0)
            );
        }
        out
    }

    fn fitted(&self, a: f64) -> String {
        let mut path = String::new();
        for angle_deg in (0..=360).step_by(STRIDE_DEG).map(|deg| deg as f64) {
            let amplitude = (a + (1.0 - a) * angle_deg.to_radians().cos()).abs();
            let [x, y] = self.at(angle_deg, 20.0 * amplitude.log10());
            let pen = if path.is_empty() { 'M' } else { 'L' };
            let _ = write!(path, "{pen}{x:.1} {y:.1}");
        }
        format!("<path class=\"slope\" d=\"{path}\"/>")
    }

    /// A dot for each angle, the thin line of its uncertainty along the ray; a bound is
    /// hollow.
    fn points(&self, circle: &Circle) -> String {
        let mut out = String::new();
        for (angle_deg, figure) in &circle.points {
            let Some(db) = figure.value() else {
                continue;
            };
            if let Some((low, high)) = figure.interval() {
                let [[x, y], [to_x, to_y]] = [low, high].map(|end| self.at(*angle_deg, end));
                let _ = write!(
                    out,
                    "<path class=\"iv\" d=\"M{x:.1} {y:.1}L{to_x:.1} {to_y:.1}\"/>"
                );
            }
            let [x, y] = self.at(*angle_deg, db);
            let class = match figure {
                Figure::Measured(..) => "dot",
                _ => "hol",
            };
            let _ = write!(
                out,
                "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.6\" data-at=\"{angle_deg}\" data-told=\"{}: {}\"/>",
                number::band(circle.nominal_hz),
                number::told(figure, "dB"),
            );
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(points: Vec<(f64, Figure)>) -> String {
        let circle = Circle {
            nominal_hz: 1000.0,
            points,
            first_order: Some(0.5),
        };
        let polar = Polar {
            title: "t".into(),
            description: "d".into(),
            circles: vec![circle],
            caption: "c".into(),
        };
        figure(&polar, "f")
    }

    #[test]
    fn the_front_is_up_and_angles_run_clockwise() {
        let scale = Scale { rim_db: 0.0 };
        assert_eq!(scale.at(0.0, 0.0), [MIDDLE[0], MIDDLE[1] - RIM]);
        let [x, y] = scale.at(90.0, -15.0);
        assert!((x - MIDDLE[0] - RIM / 2.0).abs() < 1e-9 && (y - MIDDLE[1]).abs() < 1e-9);
        // Nothing lies behind the middle.
        assert_eq!(scale.radius(f64::NEG_INFINITY), 0.0);
    }

    #[test]
    fn a_gain_beyond_the_front_widens_the_rim_and_a_bound_is_hollow() {
        let front = (0.0, Figure::Measured(0.0, Some(0.0)));
        let told = drawn(vec![front.clone(), (180.0, Figure::AtMost(-25.0))]);
        assert!(told.contains("front, 0\u{a0}dB") && told.contains("class=\"hol\""));
        assert!(told.contains("data-told=\"1\u{a0}kHz: at\u{a0}most\u{a0}\u{2212}25.0\u{a0}dB\""));
        assert!(!told.contains("NaN") && !told.contains("inf"), "{told}");
        let wider = drawn(vec![front, (90.0, Figure::Measured(3.0, Some(0.5)))]);
        assert!(wider.contains("front, 5\u{a0}dB") && wider.contains(">0</text>"));
    }
}
