//! Front to back from one capture, front and back sounding at once. Outside values:
//! two microphones a distance d apart, the rear one delayed by T and of sensitivity m,
//! hear |1 − m exp(−jω(T ± d/c))| from front and back (textbook); T = a/(1 − a) d/c
//! for the pattern a + (1 − a) cos θ.
//!
//! The device is the simulated bench's; what is judged is the whole way from its
//! samples to the figure.

use std::f64::consts::TAU;

use micronewton::Calibrated;
use micronewton::bench::{Renderer, Scenario};
use micronewton::levels::{Scope, reduce};
use micronewton::measurement::directional_at_once::{Input, Options, Outcome as Found, measure};
use micronewton::measurement::{Kind, OneCapture};
use micronewton::quantity::{Band, Reading};

const RATE_HZ: u32 = 24_000;
const SECONDS: f64 = 8.0;
const TRAVEL_S: f64 = 0.01 / 343.0;

/// What is rendered.
struct Case {
    /// a of the pattern; 1: one microphone.
    a: f64,
    name: &'static str,
    /// Sensitivity of the rear microphone in dB.
    mismatch_db: f64,
    /// Back over front, as presented.
    opposite_db: f64,
    /// Output noise re 1 µN within 10 kHz.
    noise_db: f64,
}

const CASES: [Case; 4] = [
    Case {
        a: 1.0,
        name: "cardioid",
        mismatch_db: 0.0,
        opposite_db: 3.0,
        noise_db: 20.0,
    },
    Case {
        a: 0.5,
        name: "cardioid",
        mismatch_db: 1.0,
        opposite_db: 6.0,
        noise_db: 20.0,
    },
    Case {
        a: 0.366,
        name: "supercardioid",
        mismatch_db: 0.0,
        opposite_db: -6.0,
        noise_db: 20.0,
    },
    Case {
        a: 0.25,
        name: "hypercardioid",
        mismatch_db: 0.0,
        opposite_db: 0.0,
        noise_db: 20.0,
    },
];

impl Case {
    fn measured(&self) -> Found {
        let opposite_db = self.opposite_db;
        self.of(&format!(
            "{{ kind = \"interleaved_tones\", opposite_db = {opposite_db} }}"
        ))
    }

    fn of(&self, stimulus: &str) -> Found {
        let text = format!(
            "schema = 1\nrate_hz = {RATE_HZ}\n[force]\nsensitivity_v_per_n = 1.0\n\
             [microphone]\nsensitivity_v_per_pa = 1.0\n[device.noise]\noutput_db = {}\n\
             [device.microphones]\npattern = \"{}\"\nspacing_m = 0.01\nmismatch_db = {}\n\
             [[capture]]\nname = \"both\"\nrole = \"front_and_back\"\nduration_s = {SECONDS}\n\
             level_db_spl = 65.0\ndirectional = {}\n\
             stimulus = {stimulus}\n",
            self.noise_db,
            self.name,
            self.mismatch_db,
            self.a < 1.0
        );
        let scenario = Scenario::parse(&text).unwrap();
        let mut renderer = Renderer::new(&scenario, 0, None).unwrap();
        let mut signal = vec![[0.0; 2]; (SECONDS * f64::from(RATE_HZ)) as usize];
        renderer.block(&mut signal);
        let signal = Calibrated::from_signal(RATE_HZ, signal);
        let needs = Kind::DirectionalAtOnce.needs();
        let capture = reduce(signal, needs, Scope::default(), &mut |_| {}).unwrap();
        let input: Input<'_> = OneCapture { capture: &capture };
        measure(&input, &Options::default()).unwrap()
    }

    /// Front over back at `hz`, in dB.
    fn truth_db(&self, hz: f64) -> f64 {
        if self.a == 1.0 {
            return 0.0;
        }
        let internal_s = TRAVEL_S * self.a / (1.0 - self.a);
        let m = 10f64.powf(self.mismatch_db / 20.0);
        // |1 − m e^(−jx)|² = 1 + m² − 2 m cos x.
        let square = |s: f64| 1.0 + m * m - 2.0 * m * (TAU * hz * s).cos();
        10.0 * (square(internal_s + TRAVEL_S) / square(internal_s - TRAVEL_S)).log10()
    }
}

fn midband_truth(case: &Case, band: Band) -> f64 {
    case.truth_db(band.exact_hz())
}

#[test]
fn patterns_stand_where_geometry_says_however_loud_the_back_is() {
    for case in &CASES {
        let found = case.measured();
        let mut judged = 0;
        for band in &found.bands {
            let truth = midband_truth(case, band.band);
            let unwanted = band.unwanted.figure().map_or(0.0, |u| u.db());
            // Enough above the silent lines, the back too, and not too deep a null.
            if truth >= 25.0 || truth - case.opposite_db - unwanted.abs() > -20.0 {
                continue;
            }
            judged += 1;
            let Reading::Measured(figure, budget) = &band.front_to_back else {
                panic!("{} {band:?}", case.name)
            };
            let error = figure.db() - truth;
            let told = format!("{} {} Hz: {error:.3} dB", case.name, band.band.nominal_hz());
            assert!(error.abs() <= 0.2, "{told}");
            assert!(budget.expanded().unwrap() < 0.5, "{told} {budget:?}");
        }
        assert!(
            judged >= 12,
            "{}: {judged} of {}",
            case.name,
            found.bands.len()
        );
    }
}

/// Power gains added up, the same sound in every band: from the formula above at the
/// sixteen places of every band.
#[test]
fn broadband_is_a_ratio_of_powers() {
    for case in &CASES[2..] {
        let found = case.measured();
        let broadband = found.broadband.figure().unwrap().db();
        let internal_s = TRAVEL_S * case.a / (1.0 - case.a);
        // The make-up of low frequencies is of first order from 200 Hz, alike for both.
        let power = |hz: f64, s: f64| (1.0 - (TAU * hz * s).cos()) / (hz * hz + 200.0 * 200.0);
        let bands = || found.bands.iter().map(|b| b.band.exact_hz());
        let front: f64 = bands().map(|hz| power(hz, internal_s + TRAVEL_S)).sum();
        let back: f64 = bands().map(|hz| power(hz, internal_s - TRAVEL_S)).sum();
        let expected = 10.0 * (front / back).log10();
        assert!(
            (broadband - expected).abs() < 0.1,
            "{broadband} for {expected}"
        );
        assert!(found.importance_weighted.mean.figure().is_some());
    }
}

#[test]
fn another_pattern_is_refused() {
    let found = CASES[3].measured();
    let off = |b: &Band| midband_truth(&CASES[2], *b);
    for band in &found.bands {
        let figure = band.front_to_back.figure().unwrap().db();
        assert!((figure - off(&band.band)).abs() > 1.0);
    }
}

#[test]
fn what_noise_hides_is_a_bound_and_then_nothing() {
    let case = |noise_db| Case {
        noise_db,
        ..CASES[2]
    };
    let hidden = case(94.0).measured();
    let bound = hidden
        .bands
        .iter()
        .find(|b| matches!(b.front_to_back, Reading::AtLeast(..)));
    let bound = bound.unwrap_or_else(|| panic!("{hidden:#?}"));
    let Reading::AtLeast(least, _) = &bound.front_to_back else {
        unreachable!()
    };
    assert!(
        least.db() <= midband_truth(&CASES[2], bound.band),
        "{bound:?}"
    );
    let lost = case(112.0).measured();
    assert!(
        lost.bands
            .iter()
            .all(|b| b.front_to_back.figure().is_none())
    );
}

#[test]
fn noise_is_not_taken_for_tones() {
    let found = CASES[3].of("{ kind = \"pink\" }");
    assert!(
        found
            .bands
            .iter()
            .all(|b| b.front_to_back.figure().is_none())
    );
    assert!(found.broadband.figure().is_none());
}
