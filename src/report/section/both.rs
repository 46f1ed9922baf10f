//! Do left and right differ?

use super::super::document::{Block, Section};
use super::compared::{self, Words};
use super::{BOTH, force};
use crate::comparison::{Recorded, Verdict, ears};
use crate::diagnostic::Result;
use crate::pipeline::Record;

/// The section.
///
/// # Errors
/// Those of [`Recorded::made`].
pub(super) fn section(left: &Record, right: &Record) -> Result<Section> {
    let words = Words {
        question: BOTH,
        opening: "Left and right".to_owned(),
        of: " on the right",
        sides: ["left ear", "right ear"].map(str::to_owned),
        title: "Left and right",
        heads: ["Left", "Right", "Right minus left", "No difference within"],
        difference: "difference",
        bands: "Right minus left",
        moves: "differs",
        moved: "differ",
        oscillations: [
            "Oscillations on the left alone",
            "Oscillations on the right alone",
        ],
    };
    let found = ears(&Recorded::made(left)?, &Recorded::made(right)?)?;
    let mut section = compared::section(&found, &words);
    section.blocks.splice(0..0, force::both_ears(left, right));
    let uncompared = found.count(Verdict::NotComparable);
    let mut details = METHOD.map(str::to_owned).to_vec();
    if uncompared > 0 {
        details.push(format!("Not compared: {uncompared} figures, which one of the ears lacks, or whose uncertainty leaves chance out. `compare` says of each why, from the records of both ears."));
    }
    section.details.push(Block::Notes(details));
    Ok(section)
}

const METHOD: [&str; 3] = [
    "Method: figures of the two ears belong together by measurement, recording, quantity and band; recordings of other names go by their role where each ear has one such. They differ where the difference exceeds its expanded uncertainty (k = 2). What both share of the calibration cancels.",
    "Source: JCGM 100:2008 (GUM), 5.1.2 and 5.2.2, from memory.",
    "Limits: two ears need not be alike; whether each gets what it needs, the questions before say. Different recordings of the same name make figures differ too. Each figure is judged by itself.",
];
