//! Two sessions of one person, one for each ear.

use super::Plan;
use super::session::Side;
use crate::diagnostic::{Diagnostic, Problem, Result};

/// The plans of both ears, the left one first.
///
/// # Errors
/// A session that does not say its side, two of one side, or of two persons.
pub fn left_and_right(plans: [Plan; 2]) -> Result<[Plan; 2]> {
    let [one, other] = &plans;
    let sides = [side(one)?, side(other)?];
    if person(one).zip(person(other)).is_some_and(|(a, b)| a != b) {
        let stated = "not the same in both sessions";
        let expected = "one person: a report of both ears is about one";
        return Err(Diagnostic::value("person.code", stated, expected));
    }
    match (sides, plans) {
        ([Side::Left, Side::Right], [left, right]) | ([Side::Right, Side::Left], [right, left]) => {
            Ok([left, right])
        }
        ([side, _], _) => Err(Diagnostic::value(
            "device.side",
            format!("`{}` in both sessions", side.name()),
            "`left` in one session and `right` in the other",
        )),
    }
}

fn side(plan: &Plan) -> Result<Side> {
    let device = plan.session.as_ref().and_then(|s| s.device.as_ref());
    device.and_then(|device| device.side).ok_or_else(|| {
        let key = "device.side".into();
        Problem::MissingKey { key }.into()
    })
}

fn person(plan: &Plan) -> Option<&str> {
    let person = plan.session.as_ref()?.person.as_ref()?;
    Some(&person.code)
}
