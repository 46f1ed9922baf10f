//! A day of the calendar, as documents write it.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A day, ISO 8601: year, month, day. Days order as the calendar does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    year: u16,
    month: u8,
    day: u8,
    /// Whether only the year may be told.
    year_alone: bool,
}

impl Date {
    /// The same day `months` later; the last of the month where that month has
    /// no such day.
    ///
    /// ```
    /// use micronewton::quantity::Date;
    /// let leap: Date = "2024-02-29".parse().unwrap();
    /// assert_eq!(leap.plus_months(12).to_string(), "2025-02-28");
    /// ```
    #[must_use]
    pub fn plus_months(self, months: u16) -> Self {
        let count = u32::from(self.year) * 12 + u32::from(self.month) - 1 + u32::from(months);
        let year = u16::try_from(count / 12).unwrap_or(u16::MAX);
        let month = (count % 12) as u8 + 1;
        Self {
            year,
            month,
            day: self.day.min(days(year, month)),
            ..self
        }
    }

    /// The same day, of which documents and messages tell the year alone; it still
    /// orders as the calendar does.
    #[must_use]
    pub fn told_by_year(self) -> Self {
        Self {
            year_alone: true,
            ..self
        }
    }
}

/// Days of a month in the Gregorian calendar.
fn days(year: u16, month: u8) -> u8 {
    match month {
        2 if year.is_multiple_of(400) => 29,
        2 if year.is_multiple_of(4) && !year.is_multiple_of(100) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

impl FromStr for Date {
    type Err = String;

    /// Reads `2026-01-31`; anything else is refused with these words.
    fn from_str(text: &str) -> Result<Self, String> {
        let refused = || format!("`{text}` is no day; write year-month-day, as in 2026-01-31");
        let digits = |part: &str, length: usize| {
            let plain = part.len() == length && part.bytes().all(|b| b.is_ascii_digit());
            plain.then(|| part.parse::<u16>().ok()).flatten()
        };
        let parts: Vec<&str> = text.split('-').collect();
        let [year, month, day] = parts[..] else {
            return Err(refused());
        };
        let (Some(year), Some(month), Some(day)) =
            (digits(year, 4), digits(month, 2), digits(day, 2))
        else {
            return Err(refused());
        };
        let (month, day) = (month as u8, day as u8);
        let real = (1..=12).contains(&month) && (1..=days(year, month)).contains(&day);
        let date = Self {
            year,
            month,
            day,
            year_alone: false,
        };
        real.then_some(date).ok_or_else(refused)
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}", self.year)?;
        match self.year_alone {
            true => Ok(()),
            false => write!(f, "-{:02}-{:02}", self.month, self.day),
        }
    }
}

impl Serialize for Date {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Date {
    /// From a TOML date or from text.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let value = toml::Value::deserialize(deserializer)?;
        let text = value
            .as_str()
            .map_or_else(|| value.to_string(), str::to_owned);
        text.parse().map_err(serde::de::Error::custom)
    }
}

impl JsonSchema for Date {
    fn schema_name() -> Cow<'static, str> {
        "Date".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A day, as in 2026-01-31; the year alone where days are withheld",
            "type": "string",
            "pattern": "^[0-9]{4}(-[0-9]{2}-[0-9]{2})?$",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> Date {
        text.parse().unwrap()
    }

    #[test]
    fn only_days_of_the_calendar_are_dates() {
        assert_eq!(date("2026-01-31").to_string(), "2026-01-31");
        for wrong in [
            "2025-02-29",
            "1900-02-29",
            "2026-13-01",
            "2026-00-10",
            "2026-04-31",
            "31.01.2026",
            "2026-1-31",
            "26-01-31",
            "2026-01",
            "2026-01-31T10:00:00",
            "+026-01-31",
            "",
        ] {
            assert!(wrong.parse::<Date>().is_err(), "{wrong}");
        }
        assert!("2000-02-29".parse::<Date>().is_ok());
    }

    #[test]
    fn months_run_over_the_turn_of_the_year_and_stay_in_the_month() {
        assert_eq!(date("2025-11-30").plus_months(3), date("2026-02-28"));
        assert_eq!(date("2025-12-15").plus_months(24), date("2027-12-15"));
        assert!(date("2025-12-31") < date("2026-01-01"));
    }

    #[test]
    fn a_toml_date_and_a_text_are_one_day() {
        #[derive(Deserialize)]
        struct Document {
            date: Date,
        }
        let read = |text: &str| toml::from_str::<Document>(text).map(|d| d.date);
        assert_eq!(read("date = 2026-01-31").unwrap(), date("2026-01-31"));
        assert_eq!(read("date = \"2026-01-31\"").unwrap(), date("2026-01-31"));
        let error = read("\ndate = 20260131").unwrap_err();
        assert!(error.message().contains("`20260131` is no day"), "{error}");
        assert!(error.span().is_some_and(|span| span.start >= 1));
    }
}
