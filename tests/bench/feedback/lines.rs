//! Lines that nothing explains, clean controls, and loops that ring.

use crate::added::{control, critical_band_power, with_line};
use crate::cases::{Case, Played, found};
use crate::howls::middle;

/// Lines at each ratio.
const COUNT: u64 = 24;

pub fn lines() {
    println!(
        "\n| tone-to-noise ratio, dB | found | median onset error, ms | largest frequency error, Hz |\n| ---: | ---: | ---: | ---: |"
    );
    const RATIOS_DB: [f64; 13] = [
        -20.0, -15.0, -10.0, -5.0, 0.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0,
    ];
    let mut onsets = RATIOS_DB.map(|_| Vec::new());
    let mut off_hz = [0f64; RATIOS_DB.len()];
    for number in 0..COUNT {
        let case = Case {
            seconds: 4.0,
            ..Case::new(300 + number, Played::Pink, None)
        };
        let hz = 700.0 + 137.3 * number as f64;
        let frames = case.frames();
        let noise = critical_band_power(&frames, hz);
        for (at, ratio_db) in RATIOS_DB.into_iter().enumerate() {
            let mut frames = frames.clone();
            with_line(
                &mut frames,
                hz,
                noise * 10f64.powf(ratio_db / 10.0),
                1.5,
                3.0,
            );
            let events = found(frames).events;
            if let Some(event) = events.iter().find(|e| (e.frequency_hz - hz).abs() < 10.0) {
                onsets[at].push(1000.0 * (event.start_s - 1.5).abs());
                off_hz[at] = off_hz[at].max((event.frequency_hz - hz).abs());
            }
        }
    }
    for (at, ratio_db) in RATIOS_DB.into_iter().enumerate() {
        println!(
            "| {ratio_db} | {} of {COUNT} | {} | {:.2} |",
            onsets[at].len(),
            middle(&mut onsets[at], 0.5, 0),
            off_hz[at]
        );
    }
}

pub fn controls() {
    let mut events = 0;
    for number in 0..60 {
        events += found(control(number, 60.0)).events.len();
    }
    let mut spoken = 0;
    for number in 0..60 {
        let case = Case::new(1000 + number, Played::Speech, None);
        spoken += case.found().events.len();
    }
    let mut loops = 0;
    for number in 0..24 {
        let played = [Played::Pink, Played::Speech, Played::SpeechNoise][number as usize % 3];
        loops += Case::new(400 + number, played, Some(3.0))
            .found()
            .events
            .len();
    }
    println!(
        "\nClean controls, 60 min: {events} events; speech without a loop, 10 min: {spoken} events; stable loops 3 dB before oscillation, 4 min: {loops} events"
    );
}
