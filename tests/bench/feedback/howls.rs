//! Howls of true loops: found, at what time and frequency, and nothing besides.

use std::f64::consts::TAU;

use micronewton::levels::frame::critical_bandwidth_hz;
use micronewton::measurement::feedback::{Event, Found};

use crate::cases::{Case, Played, RATE_HZ, found};
use crate::loops::{Howl, MANNERS, Manner};

/// Captures.
const COUNT: u64 = 420;
/// An event this near to an unstable frequency is that one's, in Hz.
const NEAR_HZ: f64 = 15.0;
/// What plays may lengthen a line by as much.
const AFTER_S: f64 = 0.3;

/// What was counted.
#[derive(Default)]
struct Tally {
    howls: usize,
    found: usize,
    weak: usize,
    events: usize,
    wrong: usize,
    onsets_ms: Vec<f64>,
    off_hz: Vec<f64>,
}

impl Tally {
    fn add(&mut self, other: &Self) {
        self.howls += other.howls;
        self.found += other.found;
        self.weak += other.weak;
        self.events += other.events;
        self.wrong += other.wrong;
        self.onsets_ms.extend(&other.onsets_ms);
        self.off_hz.extend(&other.off_hz);
    }

    fn row(&mut self, name: &str) {
        println!(
            "| {name} | {} | {} | {} | {} | {} | {} | {} |",
            self.howls,
            self.found,
            self.weak,
            self.events,
            self.wrong,
            middle(&mut self.onsets_ms, 0.5, 0),
            middle(&mut self.off_hz, 0.95, 2),
        );
    }
}

/// A share of a list lies below this.
pub fn middle(list: &mut [f64], share: f64, digits: usize) -> String {
    list.sort_by(f64::total_cmp);
    let at = (share * list.len().saturating_sub(1) as f64) as usize;
    list.get(at).map_or("–".into(), |x| format!("{x:.digits$}"))
}

pub fn howls() {
    println!(
        "\nTrue loops\n\n| howl | at least 6 dB | found | weaker | events | wrong | median onset error, ms | frequency error, Hz, 95 % |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
    );
    let mut all = Tally::default();
    let mut each: Vec<Tally> = MANNERS.iter().map(|_| Tally::default()).collect();
    for number in 0..COUNT {
        let howl = Howl::new(number);
        let frames = howl.frames();
        let found = found(frames.clone());
        let kind = MANNERS.iter().position(|m| *m == howl.manner).unwrap();
        count(&mut each[kind], &howl, &frames, &found);
    }
    for (manner, tally) in MANNERS.iter().zip(&mut each) {
        tally.row(&format!("{manner:?}"));
        all.add(tally);
    }
    all.row("all");
    from_the_bench();
}

fn count(tally: &mut Tally, howl: &Howl, frames: &[[f64; 2]], found: &Found) {
    let events = &found.events;
    let unstable = howl.modes_above(1.0);
    // Within 1 dB of the edge it rings on what the howl strews.
    let allowed = howl.modes_above(0.89);
    let near = |event: &Event| {
        let reach = event.lowest_hz - NEAR_HZ..event.highest_hz + NEAR_HZ;
        allowed.iter().any(|hz| reach.contains(hz))
    };
    // At least half of it, and in no other time in which the loop was closed.
    let during = |event: &Event, [from, to]: &[f64; 2]| {
        let shared = event.end_s.min(to + AFTER_S) - event.start_s.max(from - AFTER_S);
        shared > 0.5 * (event.end_s - event.start_s)
    };
    tally.events += events.len();
    let right = |e: &&Event| near(e) && howl.closed_s.iter().any(|closed| during(e, closed));
    for event in events.iter().filter(|event| !right(event)) {
        tally.wrong += 1;
        eprintln!(
            "wrong: {} {:?} {:?} {event:?}",
            howl.number, howl.manner, howl.played
        );
    }
    for closed in &howl.closed_s {
        let Some((hz, ratio_db)) = strongest(frames, &unstable, closed) else {
            continue;
        };
        if ratio_db < 6.0 {
            tally.weak += 1;
            continue;
        }
        tally.howls += 1;
        let of_it = events.iter().filter(|e| near(e) && during(e, closed));
        let first = of_it.clone().min_by(|a, b| a.start_s.total_cmp(&b.start_s));
        match first {
            Some(event) => {
                tally.found += 1;
                tally
                    .onsets_ms
                    .push(1e3 * (event.start_s - closed[0]).abs());
            }
            None => eprintln!(
                "missed: {} {:?} {:?} {closed:?} {hz:.0} Hz {ratio_db:.1} dB, {:.1} dB too much; {:?}",
                howl.number,
                howl.manner,
                howl.played,
                howl.excess_db,
                found
                    .explained
                    .iter()
                    .map(|e| (e.frequency_hz.round(), e.start_s, e.end_s, e.explanation))
                    .collect::<Vec<_>>()
            ),
        }
        if howl.manner != Manner::Gliding {
            let off = |e: &Event| (e.frequency_hz - hz).abs();
            let least = of_it.map(off).fold(f64::INFINITY, f64::min);
            if least.is_finite() {
                tally.off_hz.push(least);
            }
        }
    }
}

/// The strongest line near the unstable frequencies and its tone-to-noise ratio,
/// median over the second half of the time in which the loop is closed, in pieces of 0.1 s.
fn strongest(frames: &[[f64; 2]], unstable: &[f64], [from, to]: &[f64; 2]) -> Option<(f64, f64)> {
    let rate = f64::from(RATE_HZ);
    let half = 0.5 * (from + to);
    let range = (half * rate) as usize..(to * rate) as usize;
    let whole = &frames[range];
    let whole = &whole[..whole.len().min(9600)];
    let power = |piece: &[[f64; 2]], hz: f64| {
        let mut sum = [0.0; 2];
        for (n, frame) in piece.iter().enumerate() {
            let window = 1.0 - (TAU * n as f64 / piece.len() as f64).cos();
            let (sin, cos) = (TAU * hz * n as f64 / rate).sin_cos();
            sum[0] += window * frame[0] * cos;
            sum[1] += window * frame[0] * sin;
        }
        (sum[0] * sum[0] + sum[1] * sum[1]) * 2.0 / (piece.len() as f64).powi(2)
    };
    let step = 0.5 / (whole.len() as f64 / rate);
    let (mut best, mut most) = (0.0, 0.0);
    for hz in unstable {
        for n in -6..=6 {
            let at = hz + f64::from(n) * step;
            let here = power(whole, at);
            if here > most {
                (best, most) = (at, here);
            }
        }
    }
    if most == 0.0 {
        return None;
    }
    // Finer, by halving.
    let mut reach = step;
    while reach > 0.02 {
        reach *= 0.5;
        for at in [best - reach, best + reach] {
            let here = power(whole, at);
            if here > most {
                (best, most) = (at, here);
            }
        }
    }
    let length = (0.1 * rate) as usize;
    let width = critical_bandwidth_hz(best);
    let mut ratios: Vec<f64> = whole
        .chunks_exact(length)
        .map(|piece| {
            let line = power(piece, best);
            // A line spreads over 40 Hz of a Hann window of 0.1 s; its noise is 15 Hz wide.
            let beside: Vec<f64> = (3..12)
                .flat_map(|n| [best - 10.0 * f64::from(n), best + 10.0 * f64::from(n)])
                .map(|hz| power(piece, hz))
                .collect();
            let density = beside.iter().sum::<f64>() / beside.len() as f64 / 15.0;
            10.0 * (line / (density * width)).log10()
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    Some((best, *ratios.get(ratios.len() / 2)?))
}

/// The same question to loops of the simulated bench.
fn from_the_bench() {
    let (mut hit, mut all, mut extra) = (0, 0, 0);
    for number in 0..60 {
        let played = [
            Played::Silence,
            Played::Pink,
            Played::Speech,
            Played::Tone,
            Played::Sweep,
        ];
        let case = Case {
            seconds: 5.0,
            closed_s: Some([1.5, 4.0]),
            ..Case::new(
                200 + number,
                played[number as usize % 5],
                Some(-2.0 - (number % 4) as f64),
            )
        };
        let found = case.found();
        let events = &found.events;
        let here = |e: &Event| e.start_s < 4.0 && e.end_s > 1.5;
        all += 1;
        hit += usize::from(events.iter().any(here));
        extra += events.iter().filter(|e| !here(e)).count();
        if !events.iter().any(here) {
            eprintln!("missed: {case:?} {:?}", found.explained);
        }
    }
    println!("\nHowls of the simulated bench: {hit} of {all} found, {extra} events elsewhere");
}
