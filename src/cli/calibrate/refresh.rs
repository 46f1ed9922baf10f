use std::path::Path;

use micronewton::calibration::Channel;
use micronewton::calibration::revision::{Revision, of_one_channel};
use micronewton::diagnostic::{At, Diagnostic, Problem, Result};
use micronewton::measurement::Outcome;
use micronewton::measurement::calibrator_tone::Outcome as ToneOutcome;
use micronewton::pipeline::{Text, parse_calibration, run};
use micronewton::quantity::{Date, Origin, Reading, Role};
use micronewton::report;

use super::super::{Status, output, progress::watched, say};
use super::{Calibrate, Read, summary};

impl Calibrate {
    /// Puts a new sensitivity into the calibration file.
    pub(super) fn refresh(&self, date: Date) -> Result<Status> {
        if self.common.deidentify
            || self.common.strict
            || self.common.format.is_some()
            || !self.common.to.out.is_empty()
        {
            return Err(Diagnostic::value(
                "--format, --out or --strict",
                "given without --check",
                "to be left away: the result is the calibration file",
            ));
        }
        let old_text = match self.calibration.exists() {
            true => Some(Text::read(&self.calibration)?.text),
            false => None,
        };
        let role: Role = self.channel_of.into();
        let old = match &old_text {
            Some(text) => old_channel(text, role, &self.calibration)?,
            None => None,
        };
        let known = self.nominal.or(old.as_ref().map(|old| old.sensitivity));
        let mut revision = Revision {
            role,
            // A tone tells how far the sensitivity is from this one.
            sensitivity: self.sensitivity.or(known).unwrap_or(1.0),
            channel: self.channel,
            full_scale: self.full_scale,
            expanded_uncertainty_db: self.uncertainty,
            certificate: self.certificate.clone(),
            date,
            interval_months: self.interval_months,
            temperature_c: self.temperature,
        };
        let revised = |revision: &Revision| {
            let text = revision.applied_to(old_text.as_deref());
            text.map_err(by_option).in_file(&self.calibration)
        };
        let draft = of_one_channel(&revised(&revision)?, role)?;
        let read = parse_calibration(&draft, &self.calibration)?;
        let mut told = String::new();
        if let Some(file) = &self.tone {
            let tone = self.measured(read, file)?;
            told = summary::tone(&tone, file);
            revision = corrected(revision, &tone)?;
        } else if read.0.full_scale_assumed() {
            return Err(Diagnostic::value(
                "recorder.full_scale_assumed",
                "true",
                "a known full scale: a certificate's volts mean nothing without it",
            )
            .in_file(&self.calibration));
        }
        let text = revised(&revision)?;
        told.push_str(&summary::change(&revision, old.as_ref()));
        if self.dry_run {
            told.push_str(&format!(
                "nothing written (--dry-run); the file would be\n\n{text}"
            ));
        } else {
            report::write(&self.calibration, &text)?;
        }
        if !self.common.to.quiet {
            output::print(&told)?;
            if !self.dry_run {
                output::say_written(&self.calibration, false);
            }
        }
        if let Some(known) = known {
            let level_db = self.level.filter(|_| self.tone.is_some());
            summary::moved(&revision, known, level_db)
                .iter()
                .for_each(say);
        }
        if let Err(gap) = parse_calibration(&text, &self.calibration) {
            say(&gap.warning());
        }
        Ok(Status::Done)
    }

    /// The tone of `file` by the calibration `read`; what is doubtful is said.
    fn measured(&self, read: Read, file: &Path) -> Result<ToneOutcome> {
        let plan = self.plan(read, &[file.to_owned()])?;
        let record = watched(self.common.to.quiet, |progress| run(&plan, progress))?;
        record.findings.iter().for_each(say);
        let tone = record
            .entries
            .into_iter()
            .find_map(|entry| match entry.outcome {
                Outcome::CalibratorTone(tone) => Some(tone),
                _ => None,
            });
        let what = "a plan of one tone has no entry".into();
        let tone = tone.ok_or(Problem::Internal { what })?;
        tone.believable().in_file(file)?;
        Ok(tone)
    }
}

/// The channel as the file has it; none where it is not, or not filled in yet.
fn old_channel(text: &str, role: Role, file: &Path) -> Result<Option<Channel>> {
    match parse_calibration(text, file) {
        Err(error) if !unfilled(&error) => Err(error),
        _ => {
            let read = parse_calibration(&of_one_channel(text, role)?, file).ok();
            Ok(read.and_then(|(calibration, _)| calibration.channels()[role as usize].clone()))
        }
    }
}

/// Whether a calibration file is only not filled in yet.
fn unfilled(error: &Diagnostic) -> bool {
    matches!(
        error.problem(),
        Problem::Value { .. } | Problem::MissingKey { .. }
    )
}

/// Names the option that would state what is missing.
fn by_option(error: Diagnostic) -> Diagnostic {
    match error.problem() {
        Problem::MissingKey { key } if key.ends_with("channel") => error.at_key("--channel"),
        Problem::MissingKey { .. } => error.at_key("--full-scale"),
        _ => error,
    }
}

/// The sensitivity that the tone asks for, with the uncertainty of its reading.
fn corrected(revision: Revision, tone: &ToneOutcome) -> Result<Revision> {
    let Reading::Measured(deviation, budget) = &tone.level_deviation else {
        let what = "a tone to be believed has no level".into();
        return Err(Problem::Internal { what }.into());
    };
    let own = budget
        .parts()
        .filter(|(origin, _)| matches!(origin, Origin::Analysis | Origin::Statistics));
    let reading_db = own.filter_map(|(_, part)| part).fold(0.0, f64::hypot);
    Ok(revision.corrected(deviation.db(), reading_db))
}
