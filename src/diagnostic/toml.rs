//! The parser's words about a TOML document, as problems of our own.

use super::{At, Diagnostic, Problem};

/// Turns an error of the TOML parser into a problem with its line: unknown keys
/// name the nearest known one, missing keys are named.
pub(crate) fn toml_problem(error: &toml::de::Error, text: &str) -> Diagnostic {
    let message = error.message();
    // serde's wording: unknown field `x`, expected one of `a`, `b`;
    // unknown variant likewise; missing field `x`.
    let mut quoted = message.split('`').skip(1).step_by(2).map(str::to_owned);
    let unknown = [("unknown field", "key"), ("unknown variant", "value")];
    let unknown = unknown.iter().find(|(words, _)| message.starts_with(words));
    let problem = if let Some((_, what)) = unknown {
        let key = quoted.next().unwrap_or_default();
        let known: Vec<String> = quoted.collect();
        let distance = |name: &&String| strsim::damerau_levenshtein(&key, name);
        let nearest = known.iter().min_by_key(distance).cloned();
        Problem::UnknownKey {
            what,
            nearest: nearest
                .filter(|name| strsim::damerau_levenshtein(&key, name) <= 1 + key.len() / 3),
            key,
            known,
        }
    } else if message.starts_with("missing field") {
        Problem::MissingKey {
            key: quoted.next().unwrap_or_default(),
        }
    } else {
        let comma = error.span().is_some_and(|span| text.get(span) == Some(","));
        let hint = if comma {
            "; a decimal point is `.`"
        } else {
            ""
        };
        Problem::Document {
            cause: format!("{message}{hint}"),
        }
    };
    let diagnostic = Diagnostic::from(problem);
    match error.span() {
        Some(span) => {
            let before = text.get(..span.start).unwrap_or_default();
            diagnostic.at_line(before.matches('\n').count() + 1)
        }
        None => diagnostic,
    }
}
