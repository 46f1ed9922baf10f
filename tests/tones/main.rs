//! The technical measurements with tones on simulated devices, whole way: rendered
//! to WAV, read, measured, held against the truth of the bench.

mod curves;
mod distortion;
mod jumps;
mod output;
mod sweeps;

use std::path::Path;

use micronewton::bench::{Scenario, render};
use micronewton::pipeline::{Plan, Record, ScoreRow, run, score};

/// A device that compresses, limits and distorts, in a room 30 dB below the tones,
/// recorded at `rate_hz` and `bits`.
pub fn bench(rate_hz: u32, bits: u16, room_db_spl: f64) -> String {
    format!(
        "schema = 1\nrate_hz = {rate_hz}\n[recorder]\nbits = {bits}\nfull_scale_v = 0.5\n\
         [room]\nnoise_db_spl = {room_db_spl}\nbox_attenuation_db = 0.0\n\
         [device.noise]\ninput_db_spl = 26.0\noutput_db = 40.0\n\
         [device.transducer]\nresonance_hz = 800.0\nresonance_q = 2.0\n"
    )
}

/// A capture of stepped tones.
pub fn sweep(name: &str, role: &str, tones: &str, step_s: f64, level_db_spl: f64) -> String {
    let count = tones.matches(',').count() as f64 + 1.0;
    let duration_s = count * step_s + 1.0;
    let stop_s = count * step_s + 0.5;
    format!(
        "[[capture]]\nname = \"{name}\"\nrole = \"{role}\"\nduration_s = {duration_s}\n\
         stimulus = {{ kind = \"stepped_tones\", step_s = {step_s}, frequencies_hz = [{tones}] }}\n\
         level_db_spl = {level_db_spl}\nstart_s = 0.5\nstop_s = {stop_s}\nfrom_s = 0.0\n"
    )
}

/// The record of a rendered scenario, and how far it is from the truth.
pub fn measured(scenario: &str) -> (Record, Vec<ScoreRow>) {
    measured_with(scenario, &str::to_owned)
}

/// The same, the session file rewritten by `edit`.
pub fn measured_with(scenario: &str, edit: &dyn Fn(&str) -> String) -> (Record, Vec<ScoreRow>) {
    let scenario = Scenario::parse(scenario).unwrap();
    let folder = tempfile::tempdir().unwrap();
    render(&scenario, Path::new("."), folder.path(), &mut |_, _| {}).unwrap();
    let session = folder.path().join("session.toml");
    let text = std::fs::read_to_string(&session).unwrap();
    std::fs::write(&session, edit(&text)).unwrap();
    let plan = Plan::read(&session).unwrap();
    let record = run(&plan, &mut |_| {}).unwrap();
    let truth = std::fs::read_to_string(folder.path().join("truth.json")).unwrap();
    let rows = score(&record, &serde_json::from_str(&truth).unwrap()).unwrap();
    (record, rows)
}

/// The row of one quantity.
pub fn row<'a>(rows: &'a [ScoreRow], quantity: &str) -> &'a ScoreRow {
    rows.iter()
        .find(|row| row.quantity == quantity)
        .unwrap_or_else(|| panic!("no {quantity} in {rows:#?}"))
}
