//! A person is a code. What looks like a name, a birth date or a record number
//! is refused, so that no file of this program can hold one.

use crate::diagnostic::{Diagnostic, Problem, Result};

/// Most letters in a row, and most digits, of a code.
const LETTERS: usize = 3;
const DIGITS: usize = 5;
/// Words that stand for a person without naming one.
const WORDS: [&str; 9] = [
    "person", "subject", "patient", "client", "adult", "child", "test", "demo", "nobody",
];
/// Keys under which people write what must not be written.
const PERSONAL_KEYS: [&str; 14] = [
    "name",
    "first_name",
    "last_name",
    "surname",
    "initials",
    "birth_date",
    "birthday",
    "date_of_birth",
    "dob",
    "mrn",
    "record_number",
    "patient_id",
    "address",
    "email",
];

/// Refuses a code that could identify a person.
///
/// # Errors
/// [`Problem::Personal`] with what it looks like.
pub(super) fn check(key: &str, code: &str) -> Result<()> {
    match looks_like(code) {
        None => Ok(()),
        Some(what) => Err(refused(key, what)),
    }
}

/// An unknown key that asks for personal data, with the reason why there is
/// none.
pub(super) fn explained(error: Diagnostic) -> Diagnostic {
    let key = match error.problem() {
        Problem::UnknownKey { key, .. } if PERSONAL_KEYS.contains(&key.as_str()) => key.clone(),
        _ => return error,
    };
    let what = "personal data";
    match error.place().line {
        Some(line) => crate::diagnostic::At::at_line(refused(&key, what), line),
        None => refused(&key, what),
    }
}

fn refused(key: &str, what: &'static str) -> Diagnostic {
    let key = key.to_owned();
    Problem::Personal { key, what }.into()
}

/// What `code` looks like, if not like a code. The code itself is not repeated
/// in messages.
fn looks_like(code: &str) -> Option<&'static str> {
    let digits = code.chars().filter(char::is_ascii_digit).count();
    let numbers: Vec<&str> = code.split(|c: char| !c.is_ascii_digit()).collect();
    let parted = numbers.iter().filter(|n| !n.is_empty()).count() == 3 && digits >= 5;
    if parted || numbers.iter().any(|number| is_date(number)) {
        return Some("a birth date");
    }
    if digits > DIGITS {
        return Some("a record number");
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    let named = code
        .split(|c: char| !c.is_alphabetic())
        .any(|word| word.chars().count() > LETTERS && !WORDS.contains(&&*word.to_lowercase()));
    (code.is_empty() || named || !code.chars().all(plain)).then_some("a name")
}

/// Eight digits with a year of our time at either end.
fn is_date(number: &str) -> bool {
    let year = |part: Option<&str>| {
        let year = part.and_then(|part| part.parse::<u32>().ok());
        year.is_some_and(|year| (1900..2100).contains(&year))
    };
    number.len() == 8 && (year(number.get(..4)) || year(number.get(4..)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_pass() {
        for code in ["P-041", "S12", "AB-1007", "person-3", "p_7", "K7.2"] {
            assert_eq!(looks_like(code), None, "{code}");
        }
    }

    #[test]
    fn what_could_identify_somebody_is_told_apart() {
        for (code, what) in [
            ("Miller", "a name"),
            ("anna", "a name"),
            ("J. Miller", "a name"),
            ("Jo Ek", "a name"),
            ("Åse", "a name"),
            ("", "a name"),
            ("1957-03-12", "a birth date"),
            ("12.3.57", "a birth date"),
            ("P-19570312", "a birth date"),
            ("12031957", "a birth date"),
            ("4711-0815", "a record number"),
            ("MRN004711", "a record number"),
        ] {
            assert_eq!(looks_like(code), Some(what), "{code}");
        }
    }
}
