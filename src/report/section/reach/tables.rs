//! Tables of what is heard, how far it is from target and what would change it.

use super::super::super::document::{Block, Cell, Fact, Figure, Table};
use super::super::super::number;
use super::super::{capital, counted, fact};
use super::{Level, worst};
use crate::assessment::Verdict;
use crate::assessment::audibility::SetBy;
use crate::assessment::gain_change::GainChange;
use crate::assessment::targets::Outcome as Targets;
use crate::quantity::{Number, Reading};

/// What is heard at each level.
pub(super) fn summary(levels: &[Level<'_>]) -> Table {
    let row = |level: &Level<'_>| {
        let (heard, known) = level.heard();
        let audibility = level.audibility;
        vec![
            Cell::Words(capital(&level.told())),
            Cell::Figure(number::pair(&Figure::from(&audibility.presented))),
            Cell::Figure(format!("{heard} of {known}")),
            Cell::Figure(number::pair(&Figure::from(&audibility.audible_share))),
            Cell::Figure(index(&audibility.audibility_index)),
        ]
    };
    Table {
        caption: "What is heard of speech".into(),
        head: [
            "Presented",
            "Measured, dB SPL",
            "Bands heard",
            "Range heard, %",
            "Index",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: levels.iter().map(row).collect(),
    }
}

/// How far each level is from its target.
pub(super) fn deviations(levels: &[Level<'_>]) -> Option<Table> {
    let row = |level: &Level<'_>| {
        let deviation = level.deviation?;
        let rms = [&deviation.rms_500_to_4000, &deviation.rms_250_to_4000];
        let [from_500, from_250] = rms.map(|rms| Cell::Figure(number::pair(&Figure::from(rms))));
        let bands = |verdict| {
            let of = deviation.bands.iter().filter(|b| b.verdict == verdict);
            let labels: Vec<String> = of.map(|band| band.band.label()).collect();
            Cell::Words(match labels.as_slice() {
                [] => "none".into(),
                labels => labels.join(", "),
            })
        };
        Some(vec![
            Cell::Words(capital(&level.told())),
            from_500,
            from_250,
            bands(Verdict::Outside),
            bands(Verdict::Doubtful),
            Cell::Verdict(worst(std::slice::from_ref(deviation)), None),
        ])
    };
    let rows: Vec<Vec<Cell>> = levels.iter().filter_map(row).collect();
    (!rows.is_empty()).then(|| Table {
        caption: "Speech against its target".into(),
        head: [
            "Presented",
            "Rms 0.5 to 4 kHz, dB",
            "from 250 Hz",
            "Beyond tolerance, Hz",
            "Undecided, Hz",
            "Verdict",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    })
}

/// An index from 0 to 1: two decimals, bounds too.
pub(super) fn index(reading: &Reading<Number>) -> String {
    match reading {
        Reading::AtMost(Number(index), _) => format!("at most {}", number::fixed(*index, 2)),
        Reading::AtLeast(Number(index), _) => format!("at least {}", number::fixed(*index, 2)),
        _ => number::pair(&Figure::from(reading)),
    }
}

/// Bands in which the device's noise stands where speech should.
pub(super) fn noise(average: &Level<'_>) -> Option<Block> {
    let bands = average
        .audibility
        .bands
        .iter()
        .filter(|b| b.set_by == SetBy::Noise);
    let names: Vec<String> = bands
        .map(|band| number::band(band.band.nominal_hz()))
        .collect();
    (!names.is_empty()).then(|| {
        Block::Facts(vec![fact(
            "Set by noise",
            format!(
                "at {} the device’s own noise, not the speech, sets the level; these bands do not count as heard",
                names.join(", ")
            ),
        )])
    })
}

/// Which gains would bring speech within tolerance.
/// `near` is where the margin before feedback is smallest, in Hz and dB.
pub(super) fn changes(targets: &Targets, near: Option<(f64, f64)>) -> Block {
    if targets.changes.is_empty() {
        let text = "No gain needs to change: every band that is judged lies within its tolerance.";
        return Block::Notes(vec![text.into()]);
    }
    let told = |change: &GainChange| {
        let name = format!(
            "{} to {}",
            number::frequency(change.from_hz),
            number::frequency(change.to_hz)
        );
        let db = change.change.figure().map_or(0.0, |change| change.db());
        let of_it = |(hz, _): &(f64, f64)| (change.from_hz..=change.to_hz).contains(hz);
        let margin = near.filter(of_it).filter(|_| db > 0.0);
        let margin = margin.map_or(String::new(), |(hz, margin)| {
            let at = number::frequency(hz);
            let had = number::fixed(margin, 1);
            match margin - db {
                left if left > 0.0 => format!(
                    "; of {had}\u{a0}dB before feedback at {at} some {}\u{a0}dB would be left",
                    number::fixed(left, 1)
                ),
                _ => format!("; that is more than the {had}\u{a0}dB before feedback at {at}"),
            }
        });
        let text = match (db, change.suffices) {
            (0.0, _) => "no change helps: its bands, or its levels, contradict each other, or the uncomfortable level leaves no room".to_owned(),
            (_, true) => format!("{} would bring its bands within tolerance{margin}", signed(db)),
            (_, false) => format!("{} would help, but not bring every band within tolerance{margin}", signed(db)),
        };
        fact(&name, text)
    };
    let mut facts: Vec<Fact> = targets.changes.iter().map(told).collect();
    let many = counted(facts.len(), "channel", "channels");
    facts.insert(
        0,
        fact(
            "Arithmetic, not advice",
            format!("{many} with a band beyond its tolerance, or undecided, at one of the levels; more gain is nearer to feedback and to what is uncomfortable; measure again after a change"),
        ),
    );
    Block::Facts(facts)
}

/// A change in dB with its sign.
fn signed(db: f64) -> String {
    let decimals = usize::from(db.fract() != 0.0);
    format!("{}\u{a0}dB", number::signed(db, decimals))
}
