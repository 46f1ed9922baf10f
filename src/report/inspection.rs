//! Inspected WAV files, told: table for a terminal, JSON and CSV.

use super::document::Figure;
use super::terminal::text::{DIM, HEADING, Paragraph, entry, grid, paint};
use super::{json::pretty, number};
use crate::capture::{Inspection, Integrity, Places, SampleFormat};
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::pipeline::InspectionRecord;

/// Columns of the table of channels.
const HEAD: [&str; 10] = [
    "channel",
    "peak dB",
    "RMS dB",
    "crest dB",
    "DC %",
    "bits used",
    "clip",
    "drops",
    "splice",
    "repeat",
];

/// The files as text with ANSI styles, `width` columns wide.
pub fn inspection_terminal(record: &InspectionRecord, width: usize) -> String {
    let mut out = String::new();
    for file in &record.files {
        out.push_str(&paint(HEADING, &file.input.path.display().to_string()));
        out.push('\n');
        for (name, text) in facts(file) {
            out.push_str(&entry(name, &text, 2, width));
        }
        let head = HEAD.map(str::to_owned);
        let rows: Vec<_> = file.channels.iter().enumerate().map(row).collect();
        out.push('\n');
        out.push_str(&grid(&head, &rows, 2, width));
        out.push('\n');
    }
    if !record.files.is_empty() {
        let key = "Peak and RMS in dB re 1.0, the digital full scale: a sine that fills it has a peak of 0 and an RMS of −3.0. Clip, drops, splice, repeat: places clipped, dropped out, spliced, repeated.";
        out.push_str(&Paragraph::styled(DIM, key).wrapped(0, width));
    }
    for finding in &record.findings {
        let told = format!("{finding}. Next: {}.", finding.problem().advice());
        out.push('\n');
        out.push_str(&Paragraph::plain(&told).wrapped(0, width));
    }
    out
}

fn facts(file: &Inspection) -> Vec<(&'static str, String)> {
    let stored = match file.format {
        SampleFormat::Integer {
            bytes,
            valid_bits,
            upper,
        } => {
            let within = match (usize::from(valid_bits) == 8 * bytes, upper) {
                (true, _) => String::new(),
                (false, true) => format!(", the upper of {}", 8 * bytes),
                (false, false) => format!(", the lower of {}", 8 * bytes),
            };
            format!("PCM of {valid_bits} bits{within}")
        }
        SampleFormat::Float { bytes } => format!("{}-bit float", 8 * bytes),
    };
    let chunks: Vec<String> = file
        .chunks
        .iter()
        .map(|chunk| format!("{} {}", chunk.id.trim_end(), chunk.bytes))
        .collect();
    let mut facts = vec![
        (
            "Format",
            format!(
                "{} of {stored}, {} channels, {} Hz",
                file.container,
                file.channels.len(),
                file.rate_hz
            ),
        ),
        (
            "Length",
            format!(
                "{}, {} frames, {} bytes",
                number::duration(file.duration_s),
                file.frames,
                file.input.bytes
            ),
        ),
        ("Chunks", chunks.join(", ")),
    ];
    if let Some(origin) = &file.origin {
        let made = [&origin.date, &origin.time].into_iter().flatten().cloned();
        let mut told: Vec<String> = vec![made.collect::<Vec<_>>().join(" ")];
        if let Some(samples) = origin.since_midnight_samples {
            told.push(format!("first sample {samples} after midnight"));
        }
        if !origin.not_shown.is_empty() {
            told.push(format!(
                "{}: present, not shown",
                origin.not_shown.join(", ")
            ));
        }
        told.retain(|part| !part.is_empty());
        facts.push(("Made", told.join("; ")));
    }
    facts.extend(file.input.sha256.clone().map(|hash| ("SHA-256", hash)));
    facts
}

fn row((position, channel): (usize, &Integrity)) -> Vec<(String, bool)> {
    let db = |value: f64| match value > 0.0 {
        true => number::fixed(20.0 * value.log10(), 1),
        false => number::ABSENT.to_owned(),
    };
    let crest = channel.crest_factor_db().map_or_else(
        || number::ABSENT.to_owned(),
        |crest| number::value(&Figure::Measured(crest, None)),
    );
    let bits = channel.effective_bits.map(|bits| bits.to_string());
    let fine = if channel.silent() {
        number::ABSENT
    } else {
        "over 32"
    };
    let places = |places: &Places| match places.count {
        0 => number::ABSENT.to_owned(),
        count => count.to_string(),
    };
    let cells = [
        (position + 1).to_string(),
        db(channel.peak),
        db(channel.rms),
        crest,
        number::fixed(100.0 * channel.dc, 3),
        bits.unwrap_or_else(|| fine.to_owned()),
        places(&channel.clipped),
        places(&channel.dropouts),
        places(&channel.splices),
        places(&channel.repeats),
    ];
    cells.map(|cell| (cell, true)).into()
}

/// The record as JSON text.
///
/// # Errors
/// [`Problem::Internal`] if a part of it cannot be written.
pub fn inspection_json(record: &InspectionRecord) -> Result<String> {
    pretty(record)
}

/// One row per figure: `file,channel,quantity,value,unit`.
///
/// # Errors
/// [`Problem::Internal`] if a part of it cannot be written.
pub fn inspection_csv(record: &InspectionRecord) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record(["file", "channel", "quantity", "value", "unit"])
        .map_err(internal)?;
    for file in &record.files {
        let path = super::csv::plain(&file.input.path.display().to_string());
        for (position, channel) in file.channels.iter().enumerate() {
            let number = (position + 1).to_string();
            let bits = channel.effective_bits.map(f64::from);
            let count = |places: &Places| Some(places.count as f64);
            for (quantity, value, unit) in [
                ("duration", Some(file.duration_s), "s"),
                ("peak", Some(channel.peak), "full scale"),
                ("rms", Some(channel.rms), "full scale"),
                ("dc", Some(channel.dc), "full scale"),
                ("crest_factor", channel.crest_factor_db(), "dB"),
                ("effective_bits", bits, "bit"),
                ("clipped", count(&channel.clipped), "places"),
                ("dropouts", count(&channel.dropouts), "places"),
                ("splices", count(&channel.splices), "places"),
                ("repeats", count(&channel.repeats), "places"),
            ] {
                let value = value.map(|value| value.to_string()).unwrap_or_default();
                writer
                    .write_record([&path, &number, quantity, &value, unit])
                    .map_err(internal)?;
            }
        }
    }
    let bytes = writer.into_inner().map_err(internal)?;
    String::from_utf8(bytes).map_err(internal)
}

fn internal(error: impl std::fmt::Display) -> Diagnostic {
    let what = format!("the table cannot be written: {error}");
    Problem::Internal { what }.into()
}
