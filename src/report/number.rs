//! The only place that rounds. The uncertainty decides: it is shown with one
//! digit, or with two where the first is 1, and the figure with its decimals.

use super::document::{Figure, Point};

/// Decimals of a figure whose uncertainty is not stated.
const PLAIN: usize = 1;
/// Most decimals; a smaller uncertainty is rounded up to the last of them.
const MOST: usize = 2;
/// Stands where there is no figure.
pub(super) const ABSENT: &str = "–";

/// `value` with `decimals`, a true minus and no minus on zero.
pub(super) fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return ABSENT.to_owned();
    }
    let text = format!("{:.*}", decimals, value.abs());
    let zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    if value < 0.0 && !zero {
        format!("\u{2212}{text}")
    } else {
        text
    }
}

/// The same with a plus where it is above zero.
pub(super) fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    let zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    match value > 0.0 && !zero {
        true => format!("+{text}"),
        false => text,
    }
}

/// Decimals that an expanded uncertainty gives itself and its figure.
pub(super) fn decimals(uncertainty: Option<f64>) -> usize {
    let Some(u) = uncertainty.filter(|u| u.is_finite() && *u > 0.0) else {
        return PLAIN;
    };
    let digits = |u: f64| {
        let exponent = u.log10().floor();
        // The small part keeps 0.2 = 2.0000…e-1 from reading as 1.9999…
        let first = (u / 10f64.powf(exponent) + 1e-9).floor();
        let digits = if first < 2.0 { 1.0 } else { 0.0 };
        (digits - exponent).clamp(0.0, MOST as f64) as usize
    };
    // Rounding may carry: 0.96 becomes 1.0, which has two digits.
    let once = digits(u);
    let scale = 10f64.powi(once as i32);
    let rounded = (u * scale).round() / scale;
    if rounded > 0.0 { digits(rounded) } else { once }
}

/// The bare figure: `87.4`, `at most 3.0`, `–`.
pub(super) fn value(figure: &Figure) -> String {
    match figure {
        Figure::Measured(value, u) => fixed(*value, decimals(*u)),
        Figure::AtMost(value) => format!("at most {}", fixed(*value, PLAIN)),
        Figure::AtLeast(value) => format!("at least {}", fixed(*value, PLAIN)),
        Figure::Absent(_) => ABSENT.to_owned(),
    }
}

/// The bare figure in a narrow column: bounds as `≤` and `≥`.
pub(super) fn narrow(figure: &Figure) -> String {
    match figure {
        Figure::AtMost(value) => format!("≤{}", fixed(*value, PLAIN)),
        Figure::AtLeast(value) => format!("≥{}", fixed(*value, PLAIN)),
        _ => value(figure),
    }
}

/// The bare uncertainty; a dash where it is not stated.
pub(super) fn uncertainty(figure: &Figure) -> String {
    match figure {
        Figure::Measured(_, Some(u)) => {
            fixed(u.max(10f64.powi(-(MOST as i32))), decimals(Some(*u)))
        }
        _ => ABSENT.to_owned(),
    }
}

/// Figure and uncertainty: `87.4 ± 0.5`.
pub(super) fn pair(figure: &Figure) -> String {
    match figure {
        Figure::Measured(bare, Some(_)) if bare.is_finite() => {
            format!("{} ± {}", value(figure), uncertainty(figure))
        }
        _ => value(figure),
    }
}

/// The uncertainty as printed, where every measured point has the same.
pub(super) fn common(points: &[Point]) -> Option<String> {
    let mut printed = points
        .iter()
        .filter(|point| matches!(point.figure, Figure::Measured(..)))
        .map(|point| uncertainty(&point.figure));
    let first = printed.next().filter(|u| u != ABSENT)?;
    printed.all(|u| u == first).then_some(first)
}

/// A figure of any unit without stated uncertainty: three digits.
pub(super) fn significant(value: f64) -> String {
    let exponent = value.abs().log10().floor();
    let decimals = if exponent.is_finite() {
        (2.0 - exponent).clamp(0.0, 6.0) as usize
    } else {
        0
    };
    fixed(value, decimals)
}

/// Figure, uncertainty and unit in running text, without breaks inside.
pub(super) fn told(figure: &Figure, unit: &str) -> String {
    if figure.value().is_none() {
        return "not measured".to_owned();
    }
    format!("{} {unit}", pair(figure)).replace(' ', "\u{a0}")
}

/// A frequency in text: `315 Hz`, `2.94 kHz`; three digits.
pub(super) fn frequency(hz: f64) -> String {
    if hz >= 999.5 {
        let khz = hz / 1000.0;
        let decimals = if khz >= 9.995 { 1 } else { 2 };
        format!("{}\u{a0}kHz", fixed(khz, decimals))
    } else {
        format!("{}\u{a0}Hz", fixed(hz, 0))
    }
}

/// A band in text: `315 Hz`, `1.25 kHz`.
pub(super) fn band(nominal_hz: f64) -> String {
    if nominal_hz < 1000.0 {
        format!("{nominal_hz}\u{a0}Hz")
    } else {
        format!("{}\u{a0}kHz", nominal_hz / 1000.0)
    }
}

/// `100 Hz, 250 Hz and 8 kHz`; nothing of none.
pub(super) fn bands(nominal_hz: &[f64]) -> String {
    let told: Vec<String> = nominal_hz.iter().map(|hz| band(*hz)).collect();
    match told.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [all @ .., last] => format!("{} and {last}", all.join(", ")),
    }
}

/// A band in a table: `315`, `1.25k`.
pub(super) fn band_label(nominal_hz: f64) -> String {
    if nominal_hz < 1000.0 {
        format!("{nominal_hz}")
    } else {
        format!("{}k", nominal_hz / 1000.0)
    }
}

/// An angle: `−22.5°`.
pub(super) fn angle(degrees: f64) -> String {
    let decimals = usize::from(degrees.fract() != 0.0);
    format!("{}°", fixed(degrees, decimals))
}

/// A time in seconds: `3.1 s`.
pub(super) fn seconds(seconds: f64) -> String {
    format!("{}\u{a0}s", fixed(seconds, 1))
}

/// A length of time: `42 s`, `11 min 42 s`.
pub(super) fn duration(seconds: f64) -> String {
    let whole = seconds.round();
    if whole < 60.0 {
        return self::seconds(seconds);
    }
    let minutes = (whole / 60.0).floor();
    format!(
        "{}\u{a0}min {}\u{a0}s",
        fixed(minutes, 0),
        fixed(whole - 60.0 * minutes, 0)
    )
}

/// A number of things in words up to twelve.
pub(super) fn count(n: usize) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
        "eleven", "twelve",
    ];
    WORDS.get(n).map_or_else(|| n.to_string(), |w| (*w).into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_uncertainty_sets_the_decimals_of_both() {
        let told = |value, u| pair(&Figure::Measured(value, Some(u)));
        assert_eq!(told(2.437, 1.314), "2.4 ± 1.3");
        assert_eq!(told(87.4449, 0.503), "87.4 ± 0.5");
        assert_eq!(told(87.4449, 0.14), "87.44 ± 0.14");
        assert_eq!(told(87.4449, 0.2), "87.4 ± 0.2");
        assert_eq!(told(87.4449, 0.0501), "87.44 ± 0.05");
        assert_eq!(told(87.4449, 0.96), "87.4 ± 1.0");
        assert_eq!(told(87.4449, 0.096), "87.44 ± 0.10");
        assert_eq!(told(7.0004, 0.004), "7.00 ± 0.01");
        assert_eq!(told(187.4, 23.0), "187 ± 23");
        assert_eq!(told(-0.04, 0.5), "0.0 ± 0.5");
        assert_eq!(told(-4.2, 0.3), "\u{2212}4.2 ± 0.3");
    }

    #[test]
    fn what_has_no_uncertainty_or_no_figure_says_so_without_inventing_one() {
        assert_eq!(pair(&Figure::Measured(87.44, None)), "87.4");
        assert_eq!(pair(&Figure::AtLeast(9.96)), "at least 10.0");
        assert_eq!(pair(&Figure::AtMost(-3.0)), "at most \u{2212}3.0");
        assert_eq!(pair(&Figure::Absent("silence".into())), "–");
        assert_eq!(pair(&Figure::Measured(f64::NAN, Some(0.5))), "–");
        assert_eq!(fixed(f64::INFINITY, 1), "–");
    }

    #[test]
    fn frequencies_and_times_read_as_the_trade_writes_them() {
        assert_eq!(frequency(2943.2), "2.94\u{a0}kHz");
        assert_eq!(frequency(999.7), "1.00\u{a0}kHz");
        assert_eq!(frequency(49.8), "50\u{a0}Hz");
        assert_eq!(significant(0.00583), "0.00583");
        assert_eq!(significant(0.0), "0");
        assert_eq!(band(31.5), "31.5\u{a0}Hz");
        assert_eq!(band_label(1250.0), "1.25k");
        assert_eq!(duration(702.4), "11\u{a0}min 42\u{a0}s");
        assert_eq!(duration(9.96), "10.0\u{a0}s");
    }
}
