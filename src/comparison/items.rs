//! Items of lists that have no name of their own: numbered as found, matched by
//! frequency where they have one.

use std::collections::BTreeMap;

use super::recorded::Figure;

/// Two frequencies this near to each other, as a share, may be one oscillation. A loop
/// of 6 ms may ring every 167 Hz, 4 % apart at 4 kHz; a choice of our own.
const NEAR: f64 = 0.02;

/// The path of the item that a figure belongs to, up to its number.
pub(super) fn item(quantity: &str) -> Option<&str> {
    let (above, _) = quantity.rsplit_once('.')?;
    let mut steps: Vec<&str> = above.split('.').collect();
    let is_number = |step: &&str| step.parse::<usize>().is_ok();
    while steps.last().is_some_and(|step| !is_number(step)) {
        steps.pop();
    }
    let length = steps.join(".").len();
    (length > 0).then(|| &quantity[..length])
}

/// A list in an entry, and the numbers and frequencies of its items.
type Lists = BTreeMap<[String; 3], BTreeMap<usize, f64>>;

/// The list and the number of an item.
fn place(figure: &Figure) -> Option<([String; 3], usize)> {
    let (list, number) = item(&figure.observation.quantity)?.rsplit_once('.')?;
    let list = [&figure.entry, &figure.capture, &list.to_owned()].map(String::clone);
    Some((list, number.parse().ok()?))
}

fn lists(figures: &[Figure]) -> Lists {
    let mut lists = Lists::new();
    for figure in figures {
        if let (Some((list, number)), Some(hz)) = (place(figure), figure.item_hz) {
            lists.entry(list).or_default().insert(number, hz);
        }
    }
    lists
}

/// Gives the items of `own` the numbers of those of `other` at the same frequency, the
/// nearest first; those without a partner get the numbers that follow.
pub(super) fn align(other: &[Figure], own: &mut [Figure]) {
    let (theirs, ours) = (lists(other), lists(own));
    let mut numbers = BTreeMap::new();
    for (list, items) in &ours {
        let none = BTreeMap::new();
        let known = theirs.get(list).unwrap_or(&none);
        let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
        for (number, hz) in items {
            let apart = known
                .iter()
                .map(|(their, its)| ((hz / its).ln().abs(), *their, *number));
            pairs.extend(apart.filter(|(apart, ..)| *apart < NEAR));
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        let mut given: BTreeMap<usize, usize> = BTreeMap::new();
        for (_, their, number) in pairs {
            if !given.contains_key(&number) && !given.values().any(|taken| *taken == their) {
                given.insert(number, their);
            }
        }
        let mut next = known.keys().last().copied().unwrap_or(0);
        for number in items.keys() {
            let new = *given.entry(*number).or_insert_with(|| {
                next += 1;
                next
            });
            numbers.insert((list.clone(), *number), new);
        }
    }
    for figure in own.iter_mut().filter(|figure| figure.item_hz.is_some()) {
        let Some((list, number)) = place(figure) else {
            continue;
        };
        if let Some(new) = numbers.get(&(list.clone(), number)) {
            let quantity = &mut figure.observation.quantity;
            let rest = quantity[format!("{}.{number}", list[2]).len()..].to_owned();
            *quantity = format!("{}.{new}{rest}", list[2]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn items_numbered_as_found_are_told_from_names() {
        assert_eq!(item("events.1.level"), Some("events.1"));
        assert_eq!(item("events.1.margin.level"), Some("events.1"));
        assert_eq!(item("force.exceeded.10"), None);
        assert_eq!(item("gain"), None);
    }
}
