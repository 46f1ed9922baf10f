//! What belongs to the person and to the prescription in a picture over bands:
//! rails with foot and lid, brackets, and bars that hang from a ceiling.

use std::fmt::Write as _;

use super::super::document::{BandCurves, Figure, Point, Series, SeriesRole};
use super::bands::Scale;

/// Half of a bracket's height in dB, and its arm in units of the picture.
const BRACKET_DB: f64 = 2.0;
const ARM: f64 = 2.3;

/// Whether a picture has rails.
pub(super) fn any(curves: &BandCurves) -> bool {
    let ends = |role| matches!(role, SeriesRole::Foot | SeriesRole::Lid);
    curves
        .series
        .iter()
        .any(|series| series.drawn && ends(series.role))
}

/// Whether its bars hang from a ceiling.
pub(super) fn hang(curves: &BandCurves) -> bool {
    curves
        .series
        .iter()
        .any(|series| series.role == SeriesRole::Hanging)
}

/// Whether a series stands around the blocks rather than among them.
pub(super) fn around(role: SeriesRole) -> bool {
    matches!(
        role,
        SeriesRole::Foot | SeriesRole::Lid | SeriesRole::Target(_)
    )
}

/// What is aimed at beside the block of `role`.
pub(super) fn target_of(drawn: &[&Series], role: SeriesRole, position: usize) -> Option<f64> {
    let SeriesRole::Graded(shade) = role else {
        return None;
    };
    value(drawn, SeriesRole::Target(shade), position)
}

fn value(drawn: &[&Series], role: SeriesRole, position: usize) -> Option<f64> {
    let series = drawn.iter().find(|series| series.role == role)?;
    series.points.get(position)?.figure.value()
}

/// The rail of one band.
pub(super) struct Rail {
    foot: Option<f64>,
    lid: Option<f64>,
    left: f64,
    width: f64,
}

impl Rail {
    pub(super) fn of(drawn: &[&Series], position: usize, middle: f64, column: f64) -> Self {
        let width = column - 10.0;
        Self {
            foot: value(drawn, SeriesRole::Foot, position),
            lid: value(drawn, SeriesRole::Lid, position),
            left: middle - width / 2.0,
            width,
        }
    }

    /// The pale stretch between foot and lid.
    pub(super) fn drawn(&self, scale: &Scale) -> String {
        let (Some(foot), Some(lid)) = (self.foot, self.lid) else {
            return String::new();
        };
        let (top, bottom) = (scale.y(lid), scale.y(foot));
        format!(
            "<rect class=\"rail\" x=\"{:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>",
            self.left,
            self.width,
            (bottom - top).max(0.0)
        )
    }

    /// Foot and lid, above everything else.
    pub(super) fn ends(&self, scale: &Scale) -> String {
        let (left, right) = (self.left - 1.0, self.left + self.width + 1.0);
        let mut out = String::new();
        for (level, class, arm) in [(self.foot, "foot", -5.0), (self.lid, "lid", 5.0)] {
            if let Some(level) = level {
                let y = scale.y(level);
                let end = y + arm;
                let _ = write!(
                    out,
                    "<path class=\"{class}\" d=\"M{left:.1} {end:.1}V{y:.1}H{right:.1}V{end:.1}\"/>"
                );
            }
        }
        out
    }

    /// A slim block with its waist: hollow below the foot, hatched above the
    /// lid. `at` is its middle and its width.
    pub(super) fn slim(
        &self,
        point: &Point,
        shade: &str,
        scale: &Scale,
        at: (f64, f64),
        clip: &str,
    ) -> String {
        let (Some(value), Some((low, high))) = (point.figure.value(), point.block) else {
            return String::new();
        };
        let (x, width) = (at.0, at.1.min(10.0));
        let (left, right) = (x - width / 2.0, x + width / 2.0);
        let (top, bottom) = (scale.y(high), scale.y(low));
        let y = scale.y(value).clamp(top, bottom);
        let (above, below) = ((y - 3.2).max(top), (y + 3.2).min(bottom));
        let notch = width * 0.32;
        let (inner_left, inner_right) = (left + notch, right - notch);
        let shape = format!(
            "M{left:.1} {top:.1}H{right:.1}V{above:.1}L{inner_right:.1} {y:.1}L{right:.1} {below:.1}V{bottom:.1}H{left:.1}V{below:.1}L{inner_left:.1} {y:.1}L{left:.1} {above:.1}Z"
        );
        let foot = self
            .foot
            .map_or(bottom, |foot| scale.y(foot))
            .clamp(top, bottom);
        let mut out = format!(
            "<path class=\"hol\" d=\"{shape}\"/><clipPath id=\"{clip}\"><rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"{:.1}\"/></clipPath>\
             <path class=\"fil {shade}\" clip-path=\"url(#{clip})\" d=\"{shape}\"/>",
            foot - top
        );
        if let Some(lid) = self.lid.filter(|lid| *lid < high) {
            let lid = scale.y(lid).min(bottom);
            out.push_str(&over(left, top, width, lid - top));
        }
        out
    }
}

/// What stands past a limit: hatch, and a triangle above it.
fn over(left: f64, top: f64, width: f64, height: f64) -> String {
    let middle = left + width / 2.0;
    format!(
        "<rect class=\"past\" x=\"{left:.1}\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"{height:.1}\"/>\
         <path class=\"warn\" d=\"M{middle:.1} {:.1}l6 10h-12z\"/>",
        top - 13.0
    )
}

/// A pair of brackets around a block: what is aimed at, ± 2 dB.
pub(super) fn brackets(target: f64, scale: &Scale, x: f64, width: f64) -> String {
    let half = width.min(10.0) / 2.0 + 1.0;
    let (top, bottom) = (scale.y(target + BRACKET_DB), scale.y(target - BRACKET_DB));
    let tall = bottom - top;
    format!(
        "<path class=\"tgt\" d=\"M{:.1} {top:.1}h-{ARM}v{tall:.1}h{ARM}M{:.1} {top:.1}h{ARM}v{tall:.1}h-{ARM}\"/>",
        x - half,
        x + half
    )
}

/// The room left under a ceiling at zero, or what stands past it.
pub(super) fn hanging(point: &Point, scale: &Scale, x: f64) -> String {
    let Some(value) = point.figure.value() else {
        return String::new();
    };
    let (width, ceiling, y) = (22.0, scale.y(0.0), scale.y(value));
    let left = x - width / 2.0;
    let (low, high) = point.figure.interval().unwrap_or(match point.figure {
        Figure::AtMost(value) => (f64::NEG_INFINITY, value),
        Figure::AtLeast(value) => (value, f64::INFINITY),
        _ => (value, value),
    });
    let class = match () {
        () if high < 0.0 => "within",
        () if low > 0.0 => "outside",
        () => "doubtful",
    };
    let mut out = if value > 0.0 {
        over(left, y, width, ceiling - y)
    } else {
        format!(
            "<rect class=\"room {class}\" x=\"{left:.1}\" y=\"{ceiling:.1}\" width=\"{width:.1}\" height=\"{:.1}\"/>",
            y - ceiling
        )
    };
    let _ = write!(
        out,
        "<path class=\"cap {class}\" d=\"M{left:.1} {y:.1}h{width}\"/>"
    );
    if let Some((low, high)) = point.figure.interval() {
        let (top, bottom) = (scale.y(high), scale.y(low));
        let arm = x - 4.0;
        let _ = write!(
            out,
            "<path class=\"whisk\" d=\"M{x:.1} {top:.1}V{bottom:.1}M{arm:.1} {top:.1}h8M{arm:.1} {bottom:.1}h8\"/>"
        );
    }
    out
}
