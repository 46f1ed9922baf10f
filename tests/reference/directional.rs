//! Front-to-back difference of first-order directional patterns. Outside value:
//! |r(0°)| / |r(180°)| with r = a + (1 − a) cos θ is 11.44 dB for a supercardioid
//! (a = 0.366) and 6.02 dB for a hypercardioid (a = 0.25), as public physics
//! references table them (hyperphysics: microphone patterns).
//!
//! The device is the simulated bench's, two microphones 10 mm apart in free
//! field; what is judged is the whole way from its samples to the figure.

use micronewton::Calibrated;
use micronewton::bench::{Renderer, Scenario};
use micronewton::levels::{Levels, Scope, reduce};
use micronewton::measurement::{Captures, Kind, Options, Outcome, directional};
use micronewton::quantity::{Band, LevelDifference, Origin, Reading};
use micronewton::table::speech_intelligibility::speech_bands;

/// Levels of capture `index` of a scenario with 1 V full scale, 1 V/N, 1 V/Pa.
fn levels(scenario: &Scenario, index: usize) -> Levels {
    let mut renderer = Renderer::new(scenario, index, None).unwrap();
    let frames = (scenario.captures()[index].duration_s() * f64::from(scenario.rate_hz())) as usize;
    let mut signal = vec![[0.0; 2]; frames];
    assert_eq!(renderer.block(&mut signal), frames);
    let signal = Calibrated::from_signal(scenario.rate_hz(), signal);
    reduce(
        signal,
        Kind::Directional.needs(),
        Scope::default(),
        &mut |_| {},
    )
    .unwrap()
}

/// Front to back, with the sound from behind presented 4 dB louder and the
/// device's own output noise at `noise_db` re 1 µN within 10 kHz.
fn measured(pattern: &str, noise_db: f64) -> directional::Outcome {
    let capture = |role: &str, stimulus: &str, direction: f64| {
        format!(
            "[[capture]]\nname = \"{role}\"\nrole = \"{role}\"\nduration_s = 6.0\n\
             {stimulus}\ndirection_deg = {direction}\ndirectional = true\n"
        )
    };
    let pink = |level: f64| format!("stimulus = {{ kind = \"pink\" }}\nlevel_db_spl = {level}");
    let text = format!(
        "schema = 1\nrate_hz = 48000\n[force]\nsensitivity_v_per_n = 1.0\n\
         [microphone]\nsensitivity_v_per_pa = 1.0\n[device.noise]\noutput_db = {noise_db}\n\
         [device.microphones]\npattern = \"{pattern}\"\nspacing_m = 0.01\n{}{}{}",
        capture("front", &pink(65.0), 0.0),
        capture("back", &pink(69.0), 180.0),
        capture("equivalent_input_noise", "", 0.0),
    );
    let scenario = Scenario::parse(&text).unwrap();
    let levels = [0, 1, 2].map(|index| levels(&scenario, index));
    let roles = ["front", "back", "equivalent_input_noise"];
    let captures = Captures::new(Kind::Directional, roles.into_iter().zip(&levels));
    let outcome = Kind::Directional
        .measure(&captures, &Options::default())
        .unwrap();
    let Outcome::Directional(outcome) = outcome else {
        unreachable!()
    };
    outcome
}

fn at(outcome: &directional::Outcome, hz: f64) -> &Reading<LevelDifference> {
    let mut bands = outcome.bands.iter();
    &bands
        .find(|b| b.band.nominal_hz() == hz)
        .unwrap()
        .front_to_back
}

/// The table holds for microphones close together; 10 mm apart, a supercardioid
/// loses 20 lg of (sin a / a) / (sin b / b) with a, b = ½ω (τ ± d/c): 0.04 dB at
/// 1 kHz.
fn low_bands(pattern: &str) -> [f64; 3] {
    let outcome = measured(pattern, -60.0);
    [250.0, 500.0, 1000.0].map(|hz| at(&outcome, hz).figure().unwrap().db())
}

#[test]
fn first_order_patterns_stand_where_the_table_says() {
    for (pattern, expected) in [("supercardioid", 11.44), ("hypercardioid", 6.02)] {
        for figure in low_bands(pattern) {
            assert!(
                (figure - expected).abs() < 0.06,
                "{pattern}: {figure:.2} dB"
            );
        }
    }
}

#[test]
fn another_pattern_is_refused() {
    // A hypercardioid is no supercardioid: the check above bites.
    assert!(
        low_bands("hypercardioid")
            .iter()
            .all(|figure| (figure - 11.44).abs() > 1.0)
    );
}

/// White noise of 85 dB within 10 kHz is 62.6 dB in the band of 250 Hz and
/// 77.7 dB in that of 8 kHz; the back force is some 75 dB in each.
#[test]
fn what_the_noise_adds_is_in_the_uncertainty_until_it_is_a_bound_and_then_nothing() {
    let outcome = measured("supercardioid", 85.0);
    let Reading::Measured(figure, uncertainty) = at(&outcome, 250.0) else {
        panic!("{outcome:?}")
    };
    let noise = uncertainty.parts().find(|(o, _)| *o == Origin::Noise);
    assert!(
        noise.is_some_and(|(_, part)| part > Some(0.1)),
        "{uncertainty:?}"
    );
    let error = (figure.db() - 11.44).abs();
    assert!(
        error < uncertainty.expanded().unwrap(),
        "{figure:?} {uncertainty:?}"
    );
    assert!(matches!(at(&outcome, 8000.0), Reading::AtLeast(..)));
    let loud = measured("supercardioid", 97.0);
    assert_eq!(at(&loud, 8000.0).figure(), None);
}

/// Two microphones with t = d/c = 29.2 µs and T = t/3 have sin ½ω(T + t) /
/// sin ½ω(t − T) from front to back: 6.02 dB at low frequencies, 4.96 dB at 8 kHz.
/// By the importance of ANSI S3.5-1997, that at every midband frequency: 5.90 dB.
#[test]
fn the_mean_is_weighted_by_what_the_bands_carry_of_speech() {
    let (spoken, t) = (speech_bands(), 0.01 / 343.0);
    let expected: f64 = spoken
        .iter()
        .map(|band| {
            let half_omega =
                std::f64::consts::PI * Band::named(band.nominal_hz).unwrap().exact_hz();
            let ratio = (half_omega * t * 4.0 / 3.0).sin() / (half_omega * t * 2.0 / 3.0).sin();
            band.importance * 20.0 * ratio.log10()
        })
        .sum();
    let weighted = measured("hypercardioid", -60.0).importance_weighted;
    let mean = weighted.mean.figure().unwrap().db();
    assert!((mean - expected).abs() < 0.05, "{mean} for {expected}");
    assert!(weighted.share.figure().unwrap().0 > 99.9);
}
