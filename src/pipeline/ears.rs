//! Two sessions of one person, one for each ear.

use super::session::{Session, Side};
use crate::diagnostic::{Diagnostic, Problem, Result};

/// What belongs to both ears, the left one first; `session` finds what is said of each.
///
/// # Errors
/// A session that does not say its side, two of one side, or of two persons.
pub fn left_and_right<T>(both: [T; 2], session: impl Fn(&T) -> Option<&Session>) -> Result<[T; 2]> {
    let [one, other] = [&both[0], &both[1]].map(session);
    let sides = [side(one)?, side(other)?];
    if person(one).zip(person(other)).is_some_and(|(a, b)| a != b) {
        let stated = "not the same in both sessions";
        let expected = "one person: a report of both ears is about one";
        return Err(Diagnostic::value("person.code", stated, expected));
    }
    match (sides, both) {
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

fn side(session: Option<&Session>) -> Result<Side> {
    let device = session.and_then(|s| s.device.as_ref());
    device.and_then(|device| device.side).ok_or_else(|| {
        let key = "device.side".into();
        Problem::MissingKey { key }.into()
    })
}

fn person(session: Option<&Session>) -> Option<&str> {
    Some(&session?.person.as_ref()?.code)
}
