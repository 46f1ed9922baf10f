//! Writing a rendered scenario: WAV files, calibration, session, truth.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::document::{calibration, internal, response_csv, session};
use super::renderer::Renderer;
use super::scenario::{Capture, Scenario};
use super::truth::{Truth, Witness};
use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// Frames rendered at a time.
const BLOCK: usize = 4096;

/// Renders every capture of a scenario into `folder`: `NAME.wav` per capture,
/// `calibration.toml`, `session.toml` and `truth.json` (and `transducer.csv`
/// where the calibration states a response, and the tables that the session's
/// person names). Speech files and tables are looked up in
/// `scenario_folder`. `progress` is told the capture and its share done, 0 to 1.
/// Returns the files written. Each file appears whole or not at all.
///
/// # Errors
/// A speech file that cannot be read or does not fit, a folder that cannot be
/// written.
pub fn render(
    scenario: &Scenario,
    scenario_folder: &Path,
    folder: &Path,
    progress: &mut dyn FnMut(&str, f64),
) -> Result<Vec<PathBuf>> {
    fs::create_dir_all(folder)
        .map_err(|e| failed("creating", &e))
        .in_file(folder)?;
    let mut speech = BTreeMap::new();
    let mut written = Vec::new();
    let mut truths = Vec::new();
    for (index, capture) in scenario.captures().iter().enumerate() {
        if let Some(file) = capture.speech_file()
            && !speech.contains_key(file)
        {
            let path = scenario_folder.join(file);
            let samples = read_speech(&path, scenario.rate_hz()).in_file(&path)?;
            speech.insert(file, samples);
        }
        let samples = capture.speech_file().and_then(|file| speech.get(file));
        let mut renderer = Renderer::new(scenario, index, samples.map(Vec::as_slice))?;
        let mut witness = Witness::new(scenario, capture, &renderer);
        let path = folder.join(format!("{}.wav", capture.name));
        whole(&path, &mut |file| {
            let mut done = |share| progress(&capture.name, share);
            write_wav(
                file,
                scenario,
                capture,
                &mut renderer,
                &mut witness,
                &mut done,
            )
        })?;
        truths.push(witness.finish(scenario, capture, &renderer));
        written.push(path);
    }
    let mut text = |name: &str, text: String| {
        let path = folder.join(name);
        whole(&path, &mut |file| file.write_all(text.as_bytes()))?;
        written.push(path);
        Ok::<(), Diagnostic>(())
    };
    for name in scenario.session.tables() {
        let path = scenario_folder.join(name);
        let table = fs::read_to_string(&path)
            .map_err(|e| failed("opening", &e))
            .in_file(&path)?;
        text(name, table)?;
    }
    if let Some(csv) = response_csv(scenario) {
        text("transducer.csv", csv)?;
    }
    text("calibration.toml", calibration(scenario)?)?;
    text("session.toml", session(scenario)?)?;
    let truth = Truth::new(scenario, truths);
    let json = serde_json::to_string_pretty(&truth).map_err(|e| internal(&e))?;
    text("truth.json", json + "\n")?;
    Ok(written)
}

fn failed(action: &'static str, error: &io::Error) -> Diagnostic {
    let cause = error.to_string();
    Problem::File { action, cause }.into()
}

/// Writes a file through a temporary one beside it.
fn whole(path: &Path, write: &mut dyn FnMut(&mut NamedTempFile) -> io::Result<()>) -> Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut attempt = || -> io::Result<()> {
        let mut file = tempfile::Builder::new()
            .prefix(".bench-")
            .tempfile_in(folder)?;
        write(&mut file)?;
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            file.as_file()
                .set_permissions(fs::Permissions::from_mode(0o644))?;
        }
        file.persist(path)?;
        Ok(())
    };
    attempt().map_err(|e| failed("writing", &e)).in_file(path)
}

fn write_wav(
    file: &mut NamedTempFile,
    scenario: &Scenario,
    capture: &Capture,
    renderer: &mut Renderer,
    witness: &mut Witness,
    progress: &mut dyn FnMut(f64),
) -> io::Result<()> {
    let bits = scenario.recorder.bits;
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: scenario.rate_hz(),
        bits_per_sample: bits,
        sample_format: match bits {
            32 => hound::SampleFormat::Float,
            _ => hound::SampleFormat::Int,
        },
    };
    let steps = f64::from(1u32 << (bits - 1));
    let mut writer = hound::WavWriter::new(BufWriter::new(file), spec).map_err(io::Error::other)?;
    let mut frames = vec![[0.0; 2]; BLOCK];
    let total = (capture.duration_s * scenario.rate()).max(1.0);
    let mut done = 0;
    loop {
        let count = renderer.observed(&mut frames, &mut |physical| witness.see(physical));
        if count == 0 {
            break;
        }
        for sample in frames[..count].iter().flatten() {
            // The renderer's samples are whole steps already.
            let write = match bits {
                32 => writer.write_sample(*sample as f32),
                _ => writer.write_sample((sample * steps) as i32),
            };
            write.map_err(io::Error::other)?;
        }
        done += count;
        progress((done as f64 / total).min(1.0));
    }
    writer.finalize().map_err(io::Error::other)
}

fn read_speech(path: &Path, rate_hz: u32) -> Result<Vec<f64>> {
    let mut reader = hound::WavReader::open(path).map_err(|e| {
        let cause = e.to_string();
        let action = "opening";
        Diagnostic::from(Problem::File { action, cause })
    })?;
    let spec = reader.spec();
    if spec.channels != 1 {
        return Err(Diagnostic::value(
            "stimulus.file",
            format!("of {} channels", spec.channels),
            "one channel",
        ));
    }
    if spec.sample_rate != rate_hz {
        let found = format!("at {} Hz", spec.sample_rate);
        return Err(Diagnostic::value(
            "stimulus.file",
            found,
            &format!("the scenario's {rate_hz} Hz"),
        ));
    }
    let samples: std::result::Result<Vec<f64>, hound::Error> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(|s| Ok(f64::from(s?))).collect(),
        hound::SampleFormat::Int => {
            let steps = f64::from(1u32 << (spec.bits_per_sample - 1));
            reader
                .samples::<i32>()
                .map(|s| Ok(f64::from(s?) / steps))
                .collect()
        }
    };
    samples.map_err(|e| {
        let what = e.to_string();
        Problem::BrokenWav { what }.into()
    })
}
