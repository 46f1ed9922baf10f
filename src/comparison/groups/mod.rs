//! Groups of devices with repeats, figure by figure.
//!
//! *Question.* How far do captures of one device scatter, how far devices of one group,
//! and do the groups differ?
//!
//! *Method.* 1. Figures belong together by entry, capture, quantity and band; captures
//! that the first record does not name go by their role, where there is one such.
//! 2. Within a group: variances of repeats, of conditions of one device and of devices
//! ([`components`](statistics::components)); repeatability and reproducibility limits are
//! 2.8 times their standard deviations. 3. A device counts once, with the mean of its
//! captures: repeats tell nothing of other devices. The mean over devices has a t
//! interval. 4. Two groups that share devices are paired by device; groups that share
//! none are compared with Welch's test. 5. Probabilities of one quantity, over its bands
//! and all pairs of groups, are corrected after Holm.
//!
//! *Source.* ISO 5725-2 and -6 (from memory); [`statistics`].
//!
//! *Limits.* The devices must be a fair sample of those one wants to know of, and their
//! means near a normal distribution; outliers are not looked for. An error that all
//! records share, that of the calibration, is in no interval. Conditions are taken as
//! nested in devices: what they do to all devices alike is not parted from what they do
//! to one. Each quantity is a family of its own: choose it before looking.

mod design;
mod gathered;
pub mod statistics;

use std::collections::BTreeSet;

use serde::Serialize;

use super::recorded::{Name, Recorded};
use crate::diagnostic::{Diagnostic, Result};
use crate::pipeline::Tool;
pub use design::{Placed, parse_design};
pub use gathered::figures;
use gathered::{Gathered, below, gather};
use statistics::{CONFIDENCE, holm};

/// A record and its place in the design.
#[derive(Debug, Clone)]
pub struct Member {
    /// Where it belongs.
    pub placed: Placed,
    /// What was recorded.
    pub record: Recorded,
}

/// What there is to choose.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct GroupOptions {
    /// Only figures whose quantity is one of these, or lies below one; all if empty.
    pub quantities: Vec<String>,
}

/// Groups, compared. Serialises as docs/formats.md says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Groups {
    /// Version of this layout.
    pub schema: u32,
    /// The program.
    pub tool: Tool,
    /// What was chosen.
    pub options: GroupOptions,
    /// The records and their places.
    pub design: Vec<Placed>,
    /// What the figures rest on.
    pub notes: Vec<String>,
    /// Every figure in every group.
    pub groups: Vec<Spread>,
    /// Every figure between every two groups.
    pub differences: Vec<GroupDifference>,
}

/// A figure within a group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spread {
    /// The figure.
    #[serde(flatten)]
    pub name: Name,
    /// The group.
    pub group: String,
    /// Devices with the figure.
    pub devices: usize,
    /// Records with the figure.
    pub records: usize,
    /// Records of the group that lack it or hold only a bound.
    pub left_out: usize,
    /// Mean of the device means.
    pub mean: Option<f64>,
    /// Lower end of its t interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Standard deviation of the device means.
    pub device_means_sd: Option<f64>,
    /// Standard deviation of repeats, s_r.
    pub repeatability_sd: Option<f64>,
    /// Standard deviation between conditions of one device, s_L.
    pub between_conditions_sd: Option<f64>,
    /// Standard deviation of single captures of one device over conditions, s_R.
    pub reproducibility_sd: Option<f64>,
    /// Standard deviation between devices, repeats and conditions taken out.
    pub between_devices_sd: Option<f64>,
    /// 2.8 s_r.
    pub repeatability_limit: Option<f64>,
    /// 2.8 s_R.
    pub reproducibility_limit: Option<f64>,
    /// The set-up checks that a record did not pass and on which it relies.
    pub doubts: Vec<String>,
}

/// A figure between two groups.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GroupDifference {
    /// The figure.
    #[serde(flatten)]
    pub name: Name,
    /// The group of the minuend.
    pub group: String,
    /// The group of the subtrahend.
    pub minus: String,
    /// How the devices were held against each other.
    pub method: Method,
    /// Devices of either group that count; for pairs one and the same number.
    pub devices: [usize; 2],
    /// Mean difference.
    pub difference: Option<f64>,
    /// Lower end of its t interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Difference over standard deviation: of the differences for pairs, else pooled.
    pub effect_size: Option<f64>,
    /// Student's t.
    pub t: Option<f64>,
    /// Its degrees of freedom.
    pub degrees_of_freedom: Option<f64>,
    /// Probability of such a t without any difference.
    pub p: Option<f64>,
    /// The same, corrected for all bands and pairs of groups of the quantity.
    pub p_holm: Option<f64>,
    /// Whether the corrected probability is below 5 %; `None` where there is none.
    pub differs: Option<bool>,
    /// Why there is none.
    pub reason: Option<String>,
    /// The set-up checks that a record did not pass and on which it relies.
    pub doubts: Vec<String>,
}

/// How two groups are held against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// By devices that both have.
    Paired,
    /// Of groups without a common device (Welch).
    Unpaired,
}

impl Method {
    /// The name in records and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Paired => "paired",
            Self::Unpaired => "unpaired",
        }
    }
}

/// Compares groups of records.
///
/// # Errors
/// A quantity asked for that no record holds.
pub fn compare_groups(members: &[Member], options: GroupOptions) -> Result<Groups> {
    let (gathered, unnamed) = gather(members, &options);
    for quantity in &options.quantities {
        let held = |one: &Gathered| below(&one.name.quantity, quantity);
        if !gathered.iter().any(held) {
            return Err(Diagnostic::value(
                "--quantity",
                format!("`{quantity}`, which no record holds"),
                "the path of a figure, for instance `force.leq` or `gain`",
            ));
        }
    }
    let names = group_names(members);
    let of_groups = |one: &Gathered| -> Vec<Spread> {
        let spread = |group: &&str| one.spread(members, group);
        names.iter().map(spread).collect()
    };
    let groups = gathered.iter().flat_map(of_groups).collect();
    let mut differences = Vec::new();
    for one in &gathered {
        for (position, minus) in names.iter().enumerate() {
            for group in &names[position + 1..] {
                differences.push(one.difference(members, group, minus));
            }
        }
    }
    correct(&mut differences);
    Ok(Groups {
        schema: 1,
        tool: Tool::THIS,
        notes: notes(members, &differences, unnamed),
        design: members.iter().map(|m| m.placed.clone()).collect(),
        options,
        groups,
        differences,
    })
}

/// Groups in the order of the design.
fn group_names(members: &[Member]) -> Vec<&str> {
    let mut names: Vec<&str> = Vec::new();
    for member in members {
        if !names.contains(&member.placed.group.as_str()) {
            names.push(&member.placed.group);
        }
    }
    names
}

/// Corrects the probabilities of each quantity for its bands and pairs of groups.
fn correct(differences: &mut [GroupDifference]) {
    for family in differences.chunk_by_mut(|a, b| a.name.family() == b.name.family()) {
        let p: Vec<f64> = family.iter().filter_map(|d| d.p).collect();
        let judged = family.iter_mut().filter(|d| d.p.is_some());
        for (difference, p) in judged.zip(holm(&p)) {
            difference.p_holm = Some(p);
            difference.differs = Some(p < 1.0 - CONFIDENCE);
        }
    }
}

fn notes(members: &[Member], differences: &[GroupDifference], unnamed: usize) -> Vec<String> {
    let mut notes = vec![
        "Intervals hold what scatters between devices; a device counts once, however often it was recorded.".to_owned(),
    ];
    let differs = |of: fn(&Recorded) -> String| {
        let all: BTreeSet<String> = members.iter().map(|m| of(&m.record)).collect();
        all.len() > 1
    };
    notes.push(match differs(|r| r.calibration.to_string()) {
        false => "All records apply one calibration: what it is off by is in every mean, in no interval, and in no difference of levels.".into(),
        true => "The records apply different calibrations: what those are off by is part of the scatter, and may be part of a difference.".into(),
    });
    if differs(|r| format!("{:?}", r.options)) {
        notes.push("The records were made with different options or criteria.".into());
    }
    if differs(|r| r.version.clone()) {
        notes.push("Different versions of the program made them.".into());
    }
    if members.iter().all(|m| m.placed.condition.is_empty()) {
        notes.push("Reproducibility is not told: that takes captures of one device under several conditions, in a column `condition`.".into());
    }
    let lone: Vec<&str> = group_names(members)
        .into_iter()
        .filter(|group| {
            let of = members.iter().filter(|m| m.placed.group == *group);
            of.map(|m| &m.placed.device).collect::<BTreeSet<_>>().len() < 2
        })
        .collect();
    if !lone.is_empty() {
        notes.push(format!(
            "One device says nothing of others: no interval for {}.",
            lone.join(", ")
        ));
    }
    if differences.iter().any(|d| d.p.is_some()) {
        notes.push("Probabilities are corrected (Holm) over the bands of a quantity and the pairs of groups, not over quantities: name the one that matters before looking.".into());
    }
    if unnamed > 0 {
        notes.push(format!("{unnamed} figures of items numbered as found are left out: the same number need not be the same thing."));
    }
    notes
}

#[cfg(test)]
mod tests;
