//! What changed since the earlier record?

use super::super::comparison::reasons;
use super::super::document::{Block, Section};
use super::CHANGED;
use super::compared::{self, Words};
use crate::comparison::{Comparison, Visit};

/// The section.
pub(super) fn section(changes: &Comparison) -> Section {
    let words = Words {
        question: CHANGED,
        opening: match &changes.visits[0].date {
            Some(date) => format!("Since {date}"),
            None => "Since the earlier record".to_owned(),
        },
        of: "",
        sides: visits(changes),
        title: "Then and now",
        heads: ["Then", "Now", "Change", "No change within"],
        difference: "change",
        bands: "Change",
        moves: "changed",
        moved: "changed",
        oscillations: ["Oscillations gone", "Oscillations new"],
    };
    let mut section = compared::section(changes, &words);
    let uncompared = changes.differences.iter();
    let reasons = reasons(uncompared.filter_map(|d| d.reason.as_deref()));
    let told = reasons
        .into_iter()
        .map(|(reason, count)| format!("Not comparable, {count} figures: {reason}."));
    section.details.push(Block::Notes(told.collect()));
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
    section
}

/// What the sides are called.
fn visit(visit: &Visit, otherwise: &str) -> String {
    visit.date.clone().unwrap_or(otherwise.to_owned())
}

fn visits(changes: &Comparison) -> [String; 2] {
    let [before, after] = &changes.visits;
    if before.date == after.date {
        return ["then", "now"].map(str::to_owned);
    }
    [visit(before, "then"), visit(after, "now")]
}

const METHOD: [&str; 3] = [
    "Method: figures of the two records belong together by measurement, recording, quantity and band; recordings of other names go by their role where each record has one such. A figure changed where the difference exceeds its expanded uncertainty (k = 2). What both records share of the calibration cancels.",
    "Source: JCGM 100:2008 (GUM), 5.1.2 and 5.2.2, from memory.",
    "Limits: figures whose uncertainty leaves chance out, extremes and percentiles among them, are not judged here; state the repeatability of your bench to `compare` for those. Each figure is judged by itself.",
];
