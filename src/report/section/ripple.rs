//! What the magnitude of the transfer shows of the loop: the margin by other ways, for
//! the expert.

use super::super::document::{Block, Cell, Curves, Figure, Table, Trace};
use super::super::number;
use crate::measurement::feedback::{Found, Ripple};
use crate::quantity::Reading;

/// Tables and pictures.
pub(super) fn blocks(searched: &[(&str, &Found)]) -> Vec<Block> {
    let seen: Vec<(&str, &Found, &Ripple)> = searched
        .iter()
        .filter_map(|(name, found)| Some((*name, *found, found.ripple.as_ref()?)))
        .collect();
    let least = seen
        .iter()
        .filter_map(|(name, found, ripple)| match &found.margin.gain_margin {
            Reading::Measured(db, _) => Some((db.db(), *name, *found, *ripple)),
            _ => None,
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let mut blocks = Vec::new();
    if !seen.is_empty() {
        blocks.push(Block::Table(table(&seen)));
    }
    if let Some((_, name, found, ripple)) = least {
        blocks.push(over_frequency(name, found, ripple));
        blocks.push(over_delay(name, found, ripple));
    }
    blocks
}

fn table(seen: &[(&str, &Found, &Ripple)]) -> Table {
    let told = |reading: Option<Figure>| {
        Cell::Figure(reading.map_or(number::ABSENT.into(), |figure| number::pair(&figure)))
    };
    let row = |(name, found, ripple): &(&str, &Found, &Ripple)| {
        let substitution = found.substitution.as_ref();
        vec![
            Cell::Words((*name).to_owned()),
            told(Some(Figure::from(&found.margin.gain_margin))),
            told(Some(Figure::from(&ripple.margin))),
            told(substitution.map(|s| Figure::from(&s.margin))),
            told(substitution.map(|s| Figure::from(&s.overstated))),
        ]
    };
    Table {
        caption: "The margin by other ways".into(),
        head: [
            "Recording",
            "Margin, dB",
            "By the ripple, dB",
            "By substitution, dB",
            "Overstated without, dB",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: seen.iter().map(row).collect(),
    }
}

fn axis(quantity: &str, unit: &str) -> [String; 2] {
    [quantity, unit].map(str::to_owned)
}

fn over_frequency(name: &str, found: &Found, ripple: &Ripple) -> Block {
    let at = |n: usize| ripple.from_hz + n as f64 * ripple.step_hz;
    let points = ripple.ripple_db.iter().enumerate();
    let worst = found.margin.frequency_hz;
    Block::Curves(Curves::Trace(Trace {
        title: format!("Ripple of the gain, “{name}”"),
        description: format!(
            "Gain less its smooth part in dB over frequency, about the worst frequency{}.",
            worst.map_or(String::new(), |hz| format!(", {}", number::frequency(hz)))
        ),
        axes: [axis("Frequency", "Hz"), axis("Ripple", "dB")],
        points: points.map(|(n, db)| (at(n), *db)).collect(),
        marks: worst
            .map(|hz| (hz, "would oscillate first".to_owned()))
            .into_iter()
            .collect(),
        caption: "What comes back adds and cancels by turns: crests stand where it comes back in phase, one divided by the loop’s delay apart. The nearer to oscillation, the sharper the crests.".into(),
        ..Trace::default()
    }))
}

fn over_delay(name: &str, found: &Found, ripple: &Ripple) -> Block {
    let points = ripple.cepstrum_db.iter().enumerate();
    let ms = |n: usize| 1000.0 * n as f64 * ripple.quefrency_step_s;
    let end = ms(ripple.cepstrum_db.len());
    let turn = found.margin.loop_delay_s.map(|s| 1000.0 * s);
    let marks = (1..=3).filter_map(|k| {
        let at = turn? * f64::from(k);
        let label = match k {
            1 => "once round",
            2 => "twice",
            _ => "three times",
        };
        (at < end).then(|| (at, label.to_owned()))
    });
    Block::Curves(Curves::Trace(Trace {
        title: format!("What comes back, by its delay, “{name}”"),
        description: "Cepstrum: amplitude of the ripple in dB over the delay that makes it."
            .into(),
        axes: [axis("Delay", "ms"), axis("Ripple", "dB")],
        points: points.map(|(n, db)| (ms(n), *db)).collect(),
        marks: marks.collect(),
        caption: "The cepstrum of the gain. A loop stands at its delay and, weaker, at its multiples; what resonates on the way back makes it swing.".into(),
        ..Trace::default()
    }))
}

/// How the checks are computed.
pub(super) const METHOD: &str = "By the ripple: a stable loop leaves 1/(1 − A F) on the gain, which has the least phase that goes with its magnitude; in the cepstrum it stands from one turn of the loop on, and gives A F without any phase of the recording. By substitution: the same, with the sound of a recording of the same sound made with the device off in place of the sound at the reference microphone, which may hear what comes back; where the margin without it is greater beyond the uncertainty, that of the substitution holds. Own use of a textbook relation.";
