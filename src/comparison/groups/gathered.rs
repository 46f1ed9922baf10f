//! The figures of all records, put together by name, and what is told of each.

use std::collections::{BTreeMap, BTreeSet};

use super::statistics::{Components, Estimate, components, deviation, mean};
use super::{GroupDifference, GroupOptions, Member, Method, Spread};
use crate::comparison::items::item;
use crate::comparison::recorded::{Figure, Name};

/// ISO 5725-6: two single results lie within this many standard deviations of each other
/// with a probability of 95 %.
const LIMIT: f64 = 2.8;

/// Conditions of a device with their repeats.
type Conditions<'a> = Vec<(&'a str, Vec<f64>)>;

/// The figures of one name: by group, device and condition.
pub(super) struct Gathered {
    pub(super) name: Name,
    /// Values in the order of the design, with the member they come from.
    values: Vec<(usize, f64)>,
    doubts: BTreeMap<String, BTreeSet<String>>,
}

/// Every figure of every member with its captures called as the first record calls them.
pub fn figures(members: &[Member], options: &GroupOptions) -> Vec<(usize, Figure)> {
    let Some(first) = members.first() else {
        return Vec::new();
    };
    let asked = |quantity: &str| {
        let among = |asked: &String| below(quantity, asked);
        options.quantities.is_empty() || options.quantities.iter().any(among)
    };
    let of = |(index, member): (usize, &Member)| {
        let figures = member.record.named_as_in(&first.record).into_iter();
        figures
            .map(move |figure| (index, figure))
            .collect::<Vec<_>>()
    };
    let all = members.iter().enumerate().flat_map(of);
    all.filter(|(_, f)| asked(&f.observation.quantity))
        .collect()
}

/// Whether a quantity is the one asked for or lies below it.
pub(super) fn below(quantity: &str, asked: &str) -> bool {
    let rest = quantity.strip_prefix(asked);
    rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
}

/// The figures by name, and how many are numbered as found and left out.
pub(super) fn gather(members: &[Member], options: &GroupOptions) -> (Vec<Gathered>, usize) {
    let mut places = BTreeMap::new();
    let mut gathered: Vec<Gathered> = Vec::new();
    let mut unnamed = 0;
    for (index, figure) in figures(members, options) {
        if item(&figure.observation.quantity).is_some() {
            unnamed += 1;
            continue;
        }
        let name = figure.name();
        let o = figure.observation;
        let at = *places.entry(name.key()).or_insert_with(|| {
            gathered.push(Gathered {
                name,
                values: Vec::new(),
                doubts: BTreeMap::new(),
            });
            gathered.len() - 1
        });
        let own = &mut gathered[at];
        let group = members[index].placed.group.clone();
        own.doubts.entry(group).or_default().extend(figure.doubts);
        if let (Some(value), "measured") = (o.value, o.status.as_str()) {
            own.values.push((index, value));
        }
    }
    // A record goes band by band: the bands of one quantity are put together.
    let mut families = BTreeMap::new();
    for one in &gathered {
        let next = families.len();
        families.entry(one.name.family()).or_insert(next);
    }
    gathered.sort_by_cached_key(|one| families[&one.name.family()]);
    (gathered, unnamed)
}

impl Gathered {
    /// Devices of a group with their conditions and repeats, in the order of the design.
    fn devices<'a>(&self, members: &'a [Member], group: &str) -> Vec<(&'a str, Vec<Vec<f64>>)> {
        let mut devices: Vec<(&str, Conditions)> = Vec::new();
        for (index, value) in &self.values {
            let placed = &members[*index].placed;
            if placed.group != group {
                continue;
            }
            let conditions = entry(&mut devices, &placed.device);
            entry(conditions, &placed.condition).push(*value);
        }
        let cells =
            |conditions: Conditions| conditions.into_iter().map(|(_, values)| values).collect();
        let of = |(device, conditions)| (device, cells(conditions));
        devices.into_iter().map(of).collect()
    }

    /// What a group holds of the figure.
    pub(super) fn spread(&self, members: &[Member], group: &str) -> Spread {
        let devices: Vec<_> = self.devices(members, group);
        let cells: Vec<Vec<Vec<f64>>> = devices.into_iter().map(|(_, cells)| cells).collect();
        let means = device_means(&cells);
        let interval = Estimate::of_mean(&means).and_then(|e| e.interval());
        let Components {
            repeat,
            condition,
            device,
        } = components(&cells);
        let of_group = members.iter().filter(|m| m.placed.group == group).count();
        let records = cells.iter().flatten().map(Vec::len).sum();
        let root = |variance: Option<f64>| variance.map(f64::sqrt);
        let reproducibility = repeat.zip(condition).map(|(r, l)| (r + l).sqrt());
        Spread {
            name: self.name.clone(),
            group: group.to_owned(),
            devices: cells.len(),
            records,
            left_out: of_group - records,
            mean: mean(&means),
            low: interval.map(|i| i.0),
            high: interval.map(|i| i.1),
            device_means_sd: deviation(&means),
            repeatability_sd: root(repeat),
            between_conditions_sd: root(condition),
            reproducibility_sd: reproducibility,
            between_devices_sd: root(device),
            repeatability_limit: root(repeat).map(|s| LIMIT * s),
            reproducibility_limit: reproducibility.map(|s| LIMIT * s),
            doubts: self.doubts_of(&[group]),
        }
    }

    /// The figure in one group minus that in another.
    pub(super) fn difference(
        &self,
        members: &[Member],
        group: &str,
        minus: &str,
    ) -> GroupDifference {
        let [first, second] = [group, minus].map(|group| -> Vec<(&str, f64)> {
            let mean_of =
                |(device, cells): (_, Vec<Vec<f64>>)| Some((device, mean(&cells.concat())?));
            let devices = self.devices(members, group).into_iter();
            devices.filter_map(mean_of).collect()
        });
        let pairs: Vec<f64> = first
            .iter()
            .filter_map(|(device, a)| {
                let (_, b) = second.iter().find(|(other, _)| other == device)?;
                Some(a - b)
            })
            .collect();
        let values = |of: &[(&str, f64)]| of.iter().map(|(_, v)| *v).collect::<Vec<_>>();
        let [first, second] = [values(&first), values(&second)];
        let (method, devices, difference, estimate) = if share_a_device(members, group, minus) {
            let devices = [pairs.len(); 2];
            (
                Method::Paired,
                devices,
                mean(&pairs),
                Estimate::of_mean(&pairs),
            )
        } else {
            let devices = [first.len(), second.len()];
            let difference = mean(&first).zip(mean(&second)).map(|(a, b)| a - b);
            let estimate = Estimate::of_difference(&first, &second);
            (Method::Unpaired, devices, difference, estimate)
        };
        let reason = match (estimate, devices.iter().min()) {
            (Some(_), _) => None,
            (None, Some(0 | 1)) => {
                Some("it takes two devices with a figure, for pairs two in both groups".into())
            }
            (None, _) => Some("nothing scatters: there is nothing to judge a difference by".into()),
        };
        let interval = estimate.and_then(|e| e.interval());
        GroupDifference {
            name: self.name.clone(),
            group: group.to_owned(),
            minus: minus.to_owned(),
            method,
            devices,
            difference,
            low: interval.map(|i| i.0),
            high: interval.map(|i| i.1),
            effect_size: estimate.map(|e| e.effect_size),
            t: estimate.map(|e| e.t()),
            degrees_of_freedom: estimate.map(|e| e.degrees_of_freedom),
            p: estimate.and_then(|e| e.p()),
            p_holm: None,
            differs: None,
            reason,
            doubts: self.doubts_of(&[group, minus]),
        }
    }

    fn doubts_of(&self, groups: &[&str]) -> Vec<String> {
        let of = groups.iter().filter_map(|group| self.doubts.get(*group));
        let all: BTreeSet<&String> = of.flatten().collect();
        all.into_iter().cloned().collect()
    }
}

/// Whether one device, as the design has it, is in both groups.
fn share_a_device(members: &[Member], group: &str, minus: &str) -> bool {
    let of = |group: &str| -> BTreeSet<&str> {
        let members = members.iter().filter(|m| m.placed.group == group);
        members.map(|m| m.placed.device.as_str()).collect()
    };
    !of(group).is_disjoint(&of(minus))
}

/// The mean of every device's captures.
fn device_means(cells: &[Vec<Vec<f64>>]) -> Vec<f64> {
    cells
        .iter()
        .filter_map(|cells| mean(&cells.concat()))
        .collect()
}

/// What stands under `key`, made if it is new.
fn entry<'a, 'k, V: Default>(list: &'a mut Vec<(&'k str, V)>, key: &'k str) -> &'a mut V {
    let at = list.iter().position(|(known, _)| *known == key);
    let at = at.unwrap_or_else(|| {
        list.push((key, V::default()));
        list.len() - 1
    });
    &mut list[at].1
}
