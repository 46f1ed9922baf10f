//! Groups of devices, told: tables for a terminal, JSON and CSV; and every figure
//! behind them as one tidy table with its dictionary.

use super::comparison::{digits, name_cells, name_columns};
use super::csv::{cell, observation_cells, plain, table};
use super::json::pretty;
use super::number;
use super::terminal::text::{HEADING, Paragraph, grid, paint};
use crate::comparison::groups::{self, GroupDifference, GroupOptions, Groups, Member, Spread};
use crate::diagnostic::Result;

/// Columns of the table of differences.
const DIFFERENCES: [&str; 8] = [
    "capture",
    "quantity",
    "band Hz",
    "groups",
    "difference",
    "95 % interval",
    "effect",
    "p",
];
/// Columns of the table of groups.
const SPREADS: [&str; 7] = [
    "capture", "quantity", "group", "devices", "repeats", "between", "bands",
];
/// Columns of the CSV: rows without `minus` are groups, the others differences.
const COLUMNS: [&str; 31] = [
    "entry",
    "capture",
    "quantity",
    "nominal_hz",
    "unit",
    "reference",
    "group",
    "minus",
    "method",
    "devices",
    "devices_minus",
    "records",
    "left_out",
    "mean",
    "low",
    "high",
    "device_means_sd",
    "repeatability_sd",
    "between_conditions_sd",
    "reproducibility_sd",
    "between_devices_sd",
    "repeatability_limit",
    "reproducibility_limit",
    "effect_size",
    "t",
    "degrees_of_freedom",
    "p",
    "p_holm",
    "differs",
    "reason",
    "doubts",
];
/// Columns of the tidy table: name, type and meaning.
const FIGURES: [(&str, &str, &str); 16] = [
    ("record", "text", "file of the record, as the list names it"),
    ("group", "text", "group of the record"),
    ("device", "text", "code of the device"),
    (
        "condition",
        "text",
        "what was different on purpose; empty where nothing was",
    ),
    ("repeat", "text", "repeat within device and condition"),
    (
        "capture",
        "text",
        "captures behind the figure, as the first record names them",
    ),
    ("entry", "text", "measurement or assessment"),
    ("quantity", "text", "path of the figure in the entry"),
    (
        "nominal_hz",
        "number",
        "nominal midband frequency of its third-octave band in Hz; empty where it belongs to none",
    ),
    (
        "status",
        "text",
        "measured, at_most, at_least or not_measured",
    ),
    (
        "value",
        "number",
        "the figure, or the bound; empty where nothing was measured",
    ),
    ("unit", "text", "unit of value and expanded_uncertainty"),
    (
        "reference",
        "text",
        "reference of a level, for instance 1 µN",
    ),
    (
        "expanded_uncertainty",
        "number",
        "expanded uncertainty, k = 2; empty where not stated",
    ),
    (
        "reason",
        "text",
        "why there is no figure, only a bound or no uncertainty",
    ),
    (
        "doubts",
        "text",
        "set-up checks not passed on which it relies, with spaces between",
    ),
];

/// Differences that hold and the scatter of every quantity, as text with ANSI styles,
/// `width` columns wide.
pub fn groups_terminal(made: &Groups, width: usize) -> String {
    let judged = made.differences.iter().filter(|d| d.differs.is_some());
    let holding: Vec<&GroupDifference> =
        judged.clone().filter(|d| d.differs == Some(true)).collect();
    let mut out = String::new();
    if !made.differences.is_empty() {
        let lead = format!(
            "{} of {} differences between groups hold (p below 5 % after correction); {} cannot be judged.",
            holding.len(),
            judged.count(),
            made.differences
                .iter()
                .filter(|d| d.differs.is_none())
                .count(),
        );
        out.push_str(&Paragraph::plain(&lead).wrapped(0, width));
    }
    // Whoever named a quantity wants to see all of it.
    let told: Vec<&GroupDifference> = match made.options.quantities.is_empty() {
        true => holding,
        false => made.differences.iter().collect(),
    };
    if !told.is_empty() {
        out.push_str(&format!("\n{}\n", paint(HEADING, "Differences")));
        let rows: Vec<_> = told.into_iter().map(difference_row).collect();
        out.push_str(&grid(&DIFFERENCES.map(str::to_owned), &rows, 2, width));
    }
    out.push_str(&format!(
        "\n{}\n",
        paint(HEADING, "Standard deviations, median over bands")
    ));
    let mut rows = Vec::new();
    let families = made
        .groups
        .chunk_by(|a, b| a.name.family() == b.name.family());
    for family in families {
        let of_first_band = family.iter().take_while(|s| s.name == family[0].name);
        for group in of_first_band.map(|s| s.group.as_str()) {
            let of_group = family.iter().filter(|s| s.group == group);
            let known = |s: &&Spread| s.device_means_sd.or(s.repeatability_sd).is_some();
            let spreads: Vec<&Spread> = of_group.filter(known).collect();
            if !spreads.is_empty() {
                rows.push(spread_row(group, &spreads));
            }
        }
    }
    out.push_str(&grid(&SPREADS.map(str::to_owned), &rows, 3, width));
    out.push('\n');
    for note in &made.notes {
        out.push_str(&Paragraph::plain(note).wrapped(0, width));
    }
    let rest = "JSON and CSV hold every band with means, intervals, limits and probabilities.";
    out.push_str(&Paragraph::plain(rest).wrapped(0, width));
    out
}

fn difference_row(difference: &GroupDifference) -> Vec<(String, bool)> {
    let name = &difference.name;
    let signed = |value: f64| number::signed(value, digits(name));
    let of = |value: Option<f64>| value.map_or(number::ABSENT.to_owned(), signed);
    let interval = match difference.low.zip(difference.high) {
        Some((low, high)) => format!("{} to {}", signed(low), signed(high)),
        None => number::ABSENT.to_owned(),
    };
    let p = match difference.p_holm {
        Some(p) if p < 0.001 => "< 0.001".to_owned(),
        Some(p) => number::fixed(p, 3),
        None => number::ABSENT.to_owned(),
    };
    let [capture, quantity, band] = name_columns(name, &difference.doubts);
    vec![
        capture,
        quantity,
        band,
        (
            format!("{} − {}", difference.group, difference.minus),
            false,
        ),
        (format!("{} {}", of(difference.difference), name.unit), true),
        (interval, true),
        (of(difference.effect_size), true),
        (p, true),
    ]
}

fn spread_row(group: &str, spreads: &[&Spread]) -> Vec<(String, bool)> {
    let name = &spreads[0].name;
    let median = |of: fn(&Spread) -> Option<f64>| {
        let mut values: Vec<f64> = spreads.iter().filter_map(|s| of(s)).collect();
        values.sort_by(f64::total_cmp);
        let text =
            |value: &f64| format!("{} {}", number::fixed(*value, digits(name) + 1), name.unit);
        let middle = values.get(values.len() / 2).map(text);
        (middle.unwrap_or(number::ABSENT.to_owned()), true)
    };
    let devices = spreads.iter().map(|s| s.devices).max().unwrap_or(0);
    vec![
        (name.capture.clone(), false),
        (name.quantity.clone(), false),
        (group.to_owned(), false),
        (devices.to_string(), true),
        median(|s| s.repeatability_sd),
        median(|s| s.between_devices_sd.or(s.device_means_sd)),
        (spreads.len().to_string(), true),
    ]
}

/// The groups as JSON text.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn groups_json(made: &Groups) -> Result<String> {
    pretty(made)
}

/// One row per figure and group, then one per figure and pair of groups.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn groups_csv(made: &Groups) -> Result<String> {
    let spreads = made.groups.iter().map(|s| {
        let mut row = name_cells(&s.name);
        row.extend([
            plain(&s.group),
            String::new(),
            String::new(),
            s.devices.to_string(),
        ]);
        row.extend([String::new(), s.records.to_string(), s.left_out.to_string()]);
        row.extend(
            [
                s.mean,
                s.low,
                s.high,
                s.device_means_sd,
                s.repeatability_sd,
                s.between_conditions_sd,
                s.reproducibility_sd,
                s.between_devices_sd,
                s.repeatability_limit,
                s.reproducibility_limit,
            ]
            .map(cell),
        );
        row.extend(std::iter::repeat_n(String::new(), 7));
        row.push(s.doubts.join(" "));
        row
    });
    let differences = made.differences.iter().map(|d| {
        let mut row = name_cells(&d.name);
        row.extend([plain(&d.group), plain(&d.minus), d.method.name().to_owned()]);
        row.extend(d.devices.map(|devices| devices.to_string()));
        row.extend([String::new(), String::new()]);
        row.extend([d.difference, d.low, d.high].map(cell));
        row.extend(std::iter::repeat_n(String::new(), 7));
        row.extend([d.effect_size, d.t, d.degrees_of_freedom, d.p, d.p_holm].map(cell));
        row.push(
            d.differs
                .map(|differs| differs.to_string())
                .unwrap_or_default(),
        );
        row.push(d.reason.clone().unwrap_or_default());
        row.push(d.doubts.join(" "));
        row
    });
    table(&COLUMNS, spreads.chain(differences))
}

/// Every figure behind the groups, one row per record, capture, quantity and band.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn figures_csv(members: &[Member], options: &GroupOptions) -> Result<String> {
    let rows = groups::figures(members, options)
        .into_iter()
        .map(|(index, figure)| {
            let (placed, o) = (&members[index].placed, figure.observation);
            let doubts: Vec<String> = figure.doubts.into_iter().collect();
            let mut row = vec![
                plain(&placed.record.display().to_string()),
                plain(&placed.group),
                plain(&placed.device),
                plain(&placed.condition),
                plain(&placed.repeat),
                plain(&figure.capture),
                figure.entry,
            ];
            row.extend(observation_cells(o));
            row.push(doubts.join(" "));
            row
        });
    table(&FIGURES.map(|(name, ..)| name), rows)
}

/// What the columns of [`figures_csv`] hold, one row each.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn figures_dictionary() -> Result<String> {
    let rows =
        FIGURES.map(|(name, kind, meaning)| [name, kind, meaning].map(str::to_owned).to_vec());
    table(&["column", "type", "meaning"], rows.into_iter())
}
