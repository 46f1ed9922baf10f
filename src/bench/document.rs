//! The documents beside the captures: calibration, session, response.

use serde::Serialize;

use super::filter::amplitude;
use super::scenario::{Capture, Scenario};
use super::session::{TestBox, Worn};
use crate::diagnostic::{Diagnostic, Problem, Result};

#[derive(Serialize)]
struct CalibrationDocument {
    schema: u32,
    recorder: RecorderTable,
    force: ForceTable,
    microphone: MicrophoneTable,
}

#[derive(Serialize)]
struct RecorderTable {
    full_scale_v: f64,
}

#[derive(Serialize)]
struct ForceTable {
    channel: u32,
    sensitivity_v_per_n: f64,
    response: Option<&'static str>,
    expanded_uncertainty_db: f64,
    certificate: &'static str,
}

#[derive(Serialize)]
struct MicrophoneTable {
    channel: u32,
    sensitivity_v_per_pa: f64,
    expanded_uncertainty_db: f64,
    certificate: &'static str,
}

const CERTIFICATE: &str = "none: simulated bench";

/// The calibration file of a scenario.
pub fn calibration(scenario: &Scenario) -> Result<String> {
    let (force, microphone) = (&scenario.force, &scenario.microphone);
    text(&CalibrationDocument {
        schema: 1,
        recorder: RecorderTable {
            full_scale_v: scenario.recorder.full_scale_v,
        },
        force: ForceTable {
            channel: 1,
            sensitivity_v_per_n: force.sensitivity_v_per_n * amplitude(force.stated_error_db),
            response: response_csv(scenario).map(|_| "transducer.csv"),
            expanded_uncertainty_db: force.expanded_uncertainty_db,
            certificate: CERTIFICATE,
        },
        microphone: MicrophoneTable {
            channel: 2,
            sensitivity_v_per_pa: microphone.sensitivity_v_per_pa
                * amplitude(microphone.stated_error_db),
            expanded_uncertainty_db: microphone.expanded_uncertainty_db,
            certificate: CERTIFICATE,
        },
    })
}

/// The force transducer's response, 24 points per octave from 20 Hz.
pub fn response_csv(scenario: &Scenario) -> Option<String> {
    let rate_hz = scenario.rate();
    let force = &scenario.force;
    let response = force.response(rate_hz).filter(|_| force.response_stated)?;
    let mut text = "frequency_hz,magnitude_db\n".to_owned();
    let mut hz = 20.0;
    while hz < 0.5 * rate_hz {
        let db = 10.0 * libm::log10(response.response(hz, rate_hz).norm_sqr());
        text += &format!("{hz:.3},{db:.4}\n");
        hz *= libm::exp2(1.0 / 24.0);
    }
    Some(text)
}

#[derive(Serialize)]
struct SessionDocument<'a> {
    schema: u32,
    session: Head<'a>,
    device: &'a Option<Worn>,
    person: &'a Option<toml::Table>,
    criteria: &'a Option<toml::Table>,
    capture: Vec<CaptureTable<'a>>,
}

#[derive(Serialize)]
struct Head<'a> {
    code: &'a str,
    date: &'a Option<toml::Value>,
    #[serde(rename = "box")]
    test_box: TestBox,
    calibration: &'static str,
}

#[derive(Serialize)]
struct CaptureTable<'a> {
    name: &'a str,
    file: String,
    role: &'a str,
    level_db_spl: Option<f64>,
    level_db: Option<f64>,
    frequency_hz: Option<f64>,
    direction_deg: Option<f64>,
    from_s: f64,
    to_s: f64,
    note: &'a Option<String>,
}

/// The session file of a scenario.
pub fn session(scenario: &Scenario) -> Result<String> {
    let head = &scenario.session;
    text(&SessionDocument {
        schema: 1,
        session: Head {
            code: head.code.as_deref().unwrap_or("simulated"),
            date: &head.date,
            test_box: head.test_box,
            calibration: "calibration.toml",
        },
        device: &head.device,
        person: &head.person,
        criteria: &head.criteria,
        capture: scenario.captures().iter().map(capture_table).collect(),
    })
}

fn capture_table(capture: &Capture) -> CaptureTable<'_> {
    let [from_s, to_s] = capture.interval_s();
    let directed = ["front", "back", "angle"].contains(&capture.role.as_str());
    let calibrator = capture.stimulus.calibrator();
    let calibrator = calibrator.filter(|_| capture.role.ends_with("_calibrator"));
    CaptureTable {
        name: &capture.name,
        file: format!("{}.wav", capture.name),
        role: &capture.role,
        level_db_spl: capture.level_db_spl,
        level_db: calibrator.map(|(level_db, _)| level_db),
        frequency_hz: calibrator.map(|(_, frequency_hz)| frequency_hz),
        direction_deg: directed.then_some(capture.direction_deg),
        from_s,
        to_s,
        note: &capture.note,
    }
}

fn text<T: Serialize>(table: &T) -> Result<String> {
    let text = toml::to_string(table).map_err(|e| internal(&e))?;
    Ok(format!("# Written by the simulated bench.\n{text}"))
}

/// A fault that no scenario can cause.
pub fn internal(error: &dyn std::fmt::Display) -> Diagnostic {
    let what = error.to_string();
    Problem::Internal { what }.into()
}
