//! Two reports of one person made one: each question once, the left ear before the right.

use super::document::{Document, Fact, Section, Span};
use crate::pipeline::Side;

impl Section {
    /// What a section is headed where it is one of several answers.
    pub(super) fn heading(&self) -> Option<String> {
        match (self.part, self.ear) {
            (Some(part), Some(side)) => Some(format!("{part}, {}", side.ear().to_lowercase())),
            (part, ear) => part.or(ear.map(Side::ear)).map(str::to_owned),
        }
    }
}

impl Side {
    /// The ear in a heading.
    pub(super) fn ear(self) -> &'static str {
        match self {
            Self::Left => "Left ear",
            Self::Right => "Right ear",
        }
    }
}

/// The report of both ears; `beside` lays one beside the other.
pub(super) fn together(left: Document, right: Document, beside: Section) -> Document {
    Document {
        title: title(&left.title, &right.title),
        identity: both(left.identity, right.identity),
        lead: lead(Side::Left, left.lead)
            .chain(lead(Side::Right, right.lead))
            .collect(),
        facts: facts(left.facts, right.facts),
        sections: sections(left.sections, right.sections)
            .into_iter()
            .chain([beside])
            .collect(),
        gaps: facts(left.gaps, right.gaps),
        particulars: named(Side::Left, left.particulars)
            .chain(named(Side::Right, right.particulars))
            .collect(),
        cautions: left.cautions,
    }
}

fn both(left: String, right: String) -> String {
    match left == right {
        true => left,
        false => format!("{left}; {right}"),
    }
}

/// Both devices and their one person.
fn title(left: &str, right: &str) -> String {
    const PERSON: &str = ", person ";
    match (left.split_once(PERSON), right.split_once(PERSON)) {
        (Some((one, person)), Some((other, same))) if person == same => {
            let other = other.replacen("Device", "device", 1);
            format!("{one}; {other}; person {person}")
        }
        _ => format!("{left}; {right}"),
    }
}

/// A paragraph begins with its ear.
fn lead(side: Side, paragraphs: Vec<Vec<Span>>) -> impl Iterator<Item = Vec<Span>> {
    paragraphs.into_iter().map(move |spans| {
        let name = Span::Words(format!("{}: ", side.ear()));
        std::iter::once(name).chain(spans).collect()
    })
}

/// What holds for both ears once, all else with its ear.
fn facts(left: Vec<Fact>, right: Vec<Fact>) -> Vec<Fact> {
    let of = |side: Side, fact: &Fact| Fact {
        name: format!("{}: {}", side.ear(), fact.name),
        text: fact.text.clone(),
    };
    let first = left.iter().map(|fact| match right.contains(fact) {
        true => fact.clone(),
        false => of(Side::Left, fact),
    });
    let second = right.iter().filter(|fact| !left.contains(fact));
    first
        .chain(second.map(|fact| of(Side::Right, fact)))
        .collect()
}

/// Each answer of the right ear follows that of the left, or else the answers that it
/// follows in its own report.
fn sections(left: Vec<Section>, right: Vec<Section>) -> Vec<Section> {
    let of = |side: Side| {
        move |section: Section| Section {
            ear: Some(side),
            ..section
        }
    };
    let mut all: Vec<Section> = left.into_iter().map(of(Side::Left)).collect();
    let mut at = 0;
    for section in right.into_iter().map(of(Side::Right)) {
        let same = all
            .iter()
            .rposition(|s| (&s.question, s.part) == (&section.question, section.part));
        at = same.map_or(at, |found| found + 1);
        all.insert(at, section);
        at += 1;
    }
    all
}

fn named<T>(side: Side, parts: Vec<(String, T)>) -> impl Iterator<Item = (String, T)> {
    parts
        .into_iter()
        .map(move |(heading, blocks)| (format!("{}: {heading}", side.ear()), blocks))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(questions: &[&str]) -> Vec<Section> {
        let section = |question: &&str| Section {
            question: (*question).to_owned(),
            ..Section::default()
        };
        questions.iter().map(section).collect()
    }

    #[test]
    fn a_question_that_one_ear_alone_answers_keeps_its_place() {
        let all = sections(asked(&["a", "b", "d"]), asked(&["a", "c", "d", "e"]));
        let told: Vec<_> = all
            .iter()
            .map(|s| (s.question.as_str(), s.ear.unwrap().name()))
            .collect();
        assert_eq!(
            told,
            [
                ("a", "left"),
                ("a", "right"),
                ("c", "right"),
                ("b", "left"),
                ("d", "left"),
                ("d", "right"),
                ("e", "right"),
            ]
        );
    }
}
