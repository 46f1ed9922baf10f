//! Published criteria of single frames and of persistence, computed on the force
//! alone, against events: which tells a capture that oscillates from one that does
//! not? Definitions as in van Waterschoot and Moonen 2011, Proc. IEEE 99(2),
//! 288–327, eqs 41–51, and Mounir, Bernardi and van Waterschoot 2025, doi
//! 10.1186/s13636-025-00399-1 (both seen).

use micronewton::levels::pair::Pair;

use crate::added::control;
use crate::cases::{Case, Played, found};

const FRAME: usize = 2048;
/// Frames over which persistence and sparsity are taken.
const MEMORY: usize = 32;

/// Greatest value of every criterion within a capture.
fn criteria(frames: &[[f64; 2]]) -> [f64; 5] {
    let mut pair = Pair::new(FRAME, FRAME);
    let spectra: Vec<Vec<f64>> = frames
        .windows(FRAME)
        .step_by(FRAME / 2)
        .map(|window| {
            pair.transform(window.iter().copied());
            (0..FRAME / 2)
                .map(|k| pair.bin(k)[0].norm_sqr() + 1e-30)
                .collect()
        })
        .collect();
    let db = |ratio: f64| 10.0 * ratio.log10();
    let mut most = [f64::NEG_INFINITY; 5];
    let candidates: Vec<Vec<usize>> = spectra.iter().map(|power| peaks(power)).collect();
    for (n, power) in spectra.iter().enumerate() {
        let mean = power.iter().sum::<f64>() / power.len() as f64;
        for &k in &candidates[n] {
            let at = |hz: f64| {
                power
                    .get((k as f64 * hz).round() as usize)
                    .copied()
                    .unwrap_or(1e-30)
            };
            let harmonic = [0.5, 1.5, 2.0, 3.0, 4.0]
                .map(at)
                .into_iter()
                .fold(0.0, f64::max);
            let beside = (2..7)
                .map(|m| power[k - m].max(power[k + m]))
                .fold(0.0, f64::max);
            let from = (n + 1).saturating_sub(MEMORY);
            let past = &candidates[from..=n];
            let near = |list: &&Vec<usize>| list.iter().any(|other| other.abs_diff(k) <= 1);
            let persistent = past.iter().filter(near).count() as f64 / MEMORY as f64;
            let (mut two, mut four) = (0.0, 0.0);
            for power in &spectra[from..=n] {
                two += power[k];
                four += power[k] * power[k];
            }
            // An even course has the least norm ratio: the more, the steadier.
            let length = (n + 1 - from) as f64;
            let steady = if length < MEMORY as f64 {
                0.0
            } else {
                (two.sqrt() / four.powf(0.25) - 1.0) / (length.powf(0.25) - 1.0)
            };
            let values = [
                db(power[k] / mean),
                db(power[k] / harmonic),
                db(power[k] / beside),
                persistent,
                steady,
            ];
            for (most, value) in most.iter_mut().zip(values) {
                *most = most.max(value);
            }
        }
    }
    most
}

/// The three highest local maxima.
fn peaks(power: &[f64]) -> Vec<usize> {
    let mut found: Vec<usize> = (10..power.len() - 10)
        .filter(|&k| power[k] > power[k - 1] && power[k] >= power[k + 1])
        .collect();
    found.sort_by(|a, b| power[*b].total_cmp(&power[*a]));
    found.truncate(3);
    found
}

/// Area under the curve of precision over recall. Captures of one score pass or
/// fail a threshold together.
fn area(mut scores: Vec<(f64, bool)>) -> f64 {
    scores.sort_by(|a, b| b.0.total_cmp(&a.0));
    let all = scores.iter().filter(|(_, howls)| *howls).count() as f64;
    let (mut hits, mut told, mut area) = (0.0, 0.0, 0.0);
    for alike in scores.chunk_by(|a, b| a.0 == b.0) {
        let new = alike.iter().filter(|(_, howls)| *howls).count() as f64;
        hits += new;
        told += alike.len() as f64;
        area += new / all * hits / told;
    }
    area
}

pub fn comparison() {
    let mut captures: Vec<(Vec<[f64; 2]>, bool)> = Vec::new();
    for number in 0..40 {
        let played =
            [Played::Pink, Played::Speech, Played::Silence, Played::Tone][number as usize % 4];
        let case = Case {
            seconds: 5.0,
            closed_s: Some([1.5, 4.0]),
            ..Case::new(600 + number, played, Some(-3.0))
        };
        captures.push((case.frames(), true));
        let quiet = Case {
            margin_db: Some(12.0),
            closed_s: None,
            ..case
        };
        captures.push((quiet.frames(), false));
        captures.push((control(number, 5.0), false));
    }
    let mut scores: [Vec<(f64, bool)>; 6] = Default::default();
    for (frames, howls) in captures {
        for (list, value) in scores[1..].iter_mut().zip(criteria(&frames)) {
            list.push((value, howls));
        }
        let events = found(frames).events;
        let sure = events
            .iter()
            .map(|event| event.confidence)
            .fold(0.0, f64::max);
        scores[0].push((sure, howls));
    }
    println!("\n| criterion | area under precision over recall |\n| --- | ---: |");
    let names = [
        "events of micronewton",
        "peak to average",
        "peak to harmonics",
        "peak to neighbours",
        "persistence between frames",
        "temporal sparsity",
    ];
    for (name, scores) in names.into_iter().zip(scores) {
        println!("| {name} | {:.3} |", area(scores));
    }
}
