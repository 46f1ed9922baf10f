//! Figures over third-octave bands as a table with bars.

use super::super::document::{BandCurves, Figure, Series, SeriesRole};
use super::super::number;
use super::text::{DEVICE, Paragraph, grid};

/// Narrowest and widest bar.
const BAR: (usize, usize) = (8, 36);
const EIGHTHS: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];

/// The table; what does not fit is named below it.
pub(super) fn table(curves: &BandCurves, indent: usize, width: usize) -> String {
    let room = width - indent;
    let mut columns: Vec<Column> = Vec::new();
    let mut left_out = Vec::new();
    let mut used = 7;
    for series in &curves.series {
        let column = Column::of(series);
        let wide = column.width() + 2;
        if used + wide + BAR.0 + 2 <= room || columns.is_empty() {
            used += wide;
            columns.push(column);
        } else {
            left_out.push(series.name.as_str());
        }
    }
    let barred = barred(curves).filter(|_| used + BAR.0 < room);
    let scale = barred.map(|series| Scale::of(curves, series, (room - used - 2).min(BAR.1)));

    let mut head = vec!["Hz".to_owned()];
    head.extend(columns.iter().map(|column| column.head.clone()));
    if let Some(scale) = &scale {
        let many = curves.series.iter().filter(|s| s.drawn).count() > 1;
        let name = barred.filter(|_| many).map_or("", |s| &s.name);
        head.push(format!("{name}\n{}", scale.head()).trim_start().to_owned());
    }
    let rows: Vec<Vec<(String, bool)>> = curves
        .bands
        .iter()
        .enumerate()
        .map(|(position, hz)| {
            let mut row = vec![(number::band_label(*hz), true)];
            row.extend(columns.iter().map(|c| (c.cells[position].clone(), true)));
            if let (Some(scale), Some(series)) = (&scale, barred) {
                row.push((scale.bar(&series.points[position].figure), false));
            }
            row
        })
        .collect();

    let mut out = coloured(&grid(&head, &rows, indent, width));
    let unit = format!(
        "{}: {}. ± is the expanded uncertainty, k = 2.",
        curves.quantity, curves.unit
    );
    out.push_str(&Paragraph::plain(&unit).wrapped(indent, width));
    for why in curves.gaps() {
        out.push_str(&Paragraph::plain(&why).wrapped(indent, width));
    }
    if !left_out.is_empty() {
        let told = format!("Not shown for want of room: {}.", left_out.join("; "));
        out.push_str(&Paragraph::plain(&told).wrapped(indent, width));
    }
    out
}

struct Column {
    head: String,
    cells: Vec<String>,
}

impl Column {
    fn of(series: &Series) -> Self {
        let mut head = series.name.replace(", ", ",\n").replace(" at ", "\nat ");
        let told: fn(&Figure) -> String = match number::common(&series.points) {
            _ if series.exact() => number::narrow,
            Some(u) => {
                head.push_str(&format!("\n± {u}"));
                number::narrow
            }
            None => number::pair,
        };
        Self {
            head,
            cells: series.points.iter().map(|p| told(&p.figure)).collect(),
        }
    }

    fn width(&self) -> usize {
        let cells = self.cells.iter().map(|cell| cell.chars().count());
        let heads = self.head.lines().map(|line| line.chars().count());
        cells.chain(heads).max().unwrap_or(0)
    }
}

/// The series that the bars show: the only one, or the middle of several.
fn barred(curves: &BandCurves) -> Option<&Series> {
    let drawn = || curves.series.iter().filter(|series| series.drawn);
    drawn()
        .find(|series| series.role == SeriesRole::Graded(1))
        .or_else(|| drawn().next())
}

struct Scale {
    low: f64,
    high: f64,
    width: usize,
}

impl Scale {
    fn of(curves: &BandCurves, series: &Series, width: usize) -> Self {
        let values = || series.points.iter().filter_map(|p| p.figure.value());
        let zero = || curves.zero.iter().map(|_| 0.0);
        let low = values().chain(zero()).fold(f64::INFINITY, f64::min);
        let high = values().chain(zero()).fold(f64::NEG_INFINITY, f64::max);
        if low > high {
            return Self {
                low: 0.0,
                high: 10.0,
                width,
            };
        }
        // The lowest figure still gets a bar.
        let low = if curves.zero.is_some() {
            (low / 5.0).floor() * 5.0
        } else {
            ((low - 3.0) / 10.0).floor() * 10.0
        };
        let high = ((high / 5.0).ceil() * 5.0).max(low + 5.0);
        Self { low, high, width }
    }

    fn head(&self) -> String {
        let low = number::fixed(self.low, 0);
        let high = number::fixed(self.high, 0);
        let used = low.chars().count() + high.chars().count();
        format!("{low}{}{high}", "·".repeat(self.width.saturating_sub(used)))
    }

    fn bar(&self, figure: &Figure) -> String {
        let Some(value) = figure.value() else {
            return String::new();
        };
        let share = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        let eighths = (share * self.width as f64 * 8.0).round() as usize;
        format!("{}{}", "█".repeat(eighths / 8), EIGHTHS[eighths % 8])
    }
}

/// The same lines with their bars in the device's colour.
fn coloured(table: &str) -> String {
    let is_bar = |c: char| ('\u{2588}'..='\u{258f}').contains(&c);
    let mut out = String::new();
    for line in table.lines() {
        match line.find(is_bar) {
            Some(start) => {
                let (figures, bar) = line.split_at(start);
                out.push_str(&format!("{figures}{DEVICE}{bar}{DEVICE:#}\n"));
            }
            None => {
                out.push_str(line);
                out.push('\n');
            }
        }
    }
    out
}
