//! Patterns of first order |a + (1 − a) cos θ|. Outside values: the directivity index is
//! −10 lg of (a² + (1 − a)²/3), that of the plane −10 lg of (a² + (1 − a)²/2), levels
//! at 90° and 180° and null angles are those that public physics references table
//! (hyperphysics: microphone patterns); half space over half space from the integrals
//! a² ± a(1 − a) + (1 − a)²/3.
//!
//! The device is the simulated bench's, two microphones 10 mm apart in free field; what is
//! judged is the whole way from its samples to the figure.

use micronewton::Calibrated;
use micronewton::bench::{Renderer, Scenario};
use micronewton::levels::{Levels, Scope, reduce};
use micronewton::measurement::directivity::{BandPattern, Outcome as Found};
use micronewton::measurement::{Captures, Kind, Options, Outcome, directivity};
use micronewton::quantity::{Quantity, Reading};

const RATE_HZ: u32 = 24_000;
const LENGTH_S: f64 = 2.5;

fn levels(scenario: &Scenario, index: usize) -> Levels {
    let mut renderer = Renderer::new(scenario, index, None).unwrap();
    let mut signal = vec![[0.0; 2]; (LENGTH_S * f64::from(RATE_HZ)) as usize];
    renderer.block(&mut signal);
    let signal = Calibrated::from_signal(RATE_HZ, signal);
    let needs = Kind::Directivity.needs();
    reduce(signal, needs, Scope::default(), &mut |_| {}).unwrap()
}

/// The device at `angles`, each presented up to 6 dB apart; `None`: one microphone.
fn measured(pattern: Option<&str>, angles: &[f64]) -> Found {
    spoilt(pattern, angles, 0.0, "", &Options::default())
}

/// The same turned by an angle and with further settings of its microphones.
fn spoilt(
    pattern: Option<&str>,
    angles: &[f64],
    turned_deg: f64,
    how: &str,
    options: &Options,
) -> Found {
    let mut text = format!(
        "schema = 1\nrate_hz = {RATE_HZ}\n[force]\nsensitivity_v_per_n = 1.0\n\
         [microphone]\nsensitivity_v_per_pa = 1.0\n[device.noise]\noutput_db = 0.0\n"
    );
    if let Some(pattern) = pattern {
        text +=
            &format!("[device.microphones]\npattern = \"{pattern}\"\nspacing_m = 0.01\n{how}\n");
    }
    for (i, angle) in angles.iter().enumerate() {
        text += &format!(
            "[[capture]]\nname = \"a{i}\"\nrole = \"angle\"\nduration_s = {LENGTH_S}\n\
             stimulus = {{ kind = \"pink\" }}\nlevel_db_spl = {}\ndirection_deg = {}\n\
             directional = {}\n",
            65 + i % 4 * 2,
            angle + turned_deg,
            pattern.is_some()
        );
    }
    let scenario = Scenario::parse(&text).unwrap();
    let captures: Vec<(String, Levels)> = angles
        .iter()
        .enumerate()
        .map(|(i, angle)| (directivity::part(*angle), levels(&scenario, i)))
        .collect();
    let parts = captures
        .iter()
        .map(|(part, levels)| (part.as_str(), levels));
    let captures = Captures::new(Kind::Directivity, parts);
    let outcome = Kind::Directivity.measure(&captures, options);
    let Outcome::Directivity(outcome) = outcome.unwrap() else {
        unreachable!()
    };
    outcome
}

fn round(step: u32) -> Vec<f64> {
    (0..360 / step).map(|i| f64::from(i * step)).collect()
}

/// The bands in which 10 mm are short: at 1 kHz the patterns depart by 0.04 dB.
fn low(found: &Found) -> impl Iterator<Item = &BandPattern> {
    let inside = |hz: f64| (250.0..=1000.0).contains(&hz);
    found
        .bands
        .iter()
        .filter(move |b| inside(b.band.nominal_hz()))
}

fn figure<Q: Quantity + std::fmt::Debug>(reading: &Reading<Q>) -> f64 {
    let figure = reading.figure();
    figure.unwrap_or_else(|| panic!("{reading:?}")).value()
}

fn at(band: &BandPattern, angle_deg: f64) -> f64 {
    let mut angles = band.angles.iter();
    let gain = angles.find(|a| a.angle_deg == angle_deg).unwrap();
    figure(&gain.relative_to_front)
}

fn near(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found:.3} for {expected:.3}"
    );
}

fn db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

#[test]
fn first_order_patterns_have_the_indices_of_the_table() {
    for (pattern, a) in [
        (None, 1.0),
        (Some("cardioid"), 0.5),
        (Some("supercardioid"), 0.366),
        (Some("hypercardioid"), 0.25),
    ] {
        let b = 1.0 - a;
        let found = measured(pattern, &round(15));
        assert!(found.missing_deg.is_empty());
        assert_eq!(low(&found).count(), 7);
        for band in low(&found) {
            let name = format!("{pattern:?} {} Hz", band.band.nominal_hz());
            let index = figure(&band.directivity_index);
            near(index, -db(a * a + b * b / 3.0), 0.1, &name);
            let planar = figure(&band.planar_index);
            near(planar, -db(a * a + b * b / 2.0), 0.1, &name);
            let halves = (a * a + a * b + b * b / 3.0) / (a * a - a * b + b * b / 3.0);
            near(figure(&band.front_to_rear_half), db(halves), 0.2, &name);
            near(figure(&band.first_order), a, 0.01, &name);
            assert!(figure(&band.residual) < 1.0, "{name}: {band:?}");
            near(at(band, 90.0), 20.0 * a.log10(), 0.2, &name);
            if a == 0.5 {
                assert!(figure(&band.front_to_back) > 25.0, "{name}");
            } else {
                let back = -20.0 * (2.0 * a - 1.0).abs().log10();
                near(figure(&band.front_to_back), back, 0.2, &name);
            }
            if a < 0.4 {
                let null = (-a / b).acos().to_degrees();
                near(figure(&band.null_angle), null, 1.0, &name);
            }
            if a == 1.0 {
                assert!(band.null_angle.figure().is_none());
            }
        }
    }
}

#[test]
fn another_pattern_and_missing_angles_are_told() {
    let mut angles = round(30);
    angles.retain(|angle| *angle != 90.0);
    let found = measured(Some("hypercardioid"), &angles);
    assert_eq!(found.missing_deg, [90.0]);
    for band in low(&found) {
        // A hypercardioid is no supercardioid: the checks above bite.
        assert!((figure(&band.first_order) - 0.366).abs() > 0.05);
        // Twelve angles, left and right taken together: 90° is there from one side.
        let Reading::Measured(index, budget) = &band.directivity_index else {
            panic!("{band:?}")
        };
        near(index.db(), 6.02, budget.expanded().unwrap(), "12 angles");
        // The plane has a gap of 60°.
        assert!(band.planar_index.figure().is_none());
    }
    let front = measured(Some("cardioid"), &[0.0, 30.0, 60.0, 90.0]);
    assert!(low(&front).all(|band| band.directivity_index.figure().is_none()));
    assert!(low(&front).all(|band| band.front_to_back.figure().is_none()));
}

/// Faults as the bench renders them, noise of the device and of the analysis included;
/// what was planted is the outside value.
#[test]
fn planted_faults_are_recognised_from_rendered_captures() {
    use directivity::{FaultKind, Pattern};
    let cases = [
        ("", 0.0, None),
        ("mismatch_db = 0.25\nmismatch_s = 1e-6", 0.0, None),
        ("mismatch_s = -1e-6", 0.0, None),
        ("", 180.0, Some(FaultKind::Exchanged)),
        ("mismatch_db = -20.0", 0.0, Some(FaultKind::OneBlocked)),
        (
            "mismatch_db = 2.0",
            0.0,
            Some(FaultKind::SensitivityMismatch),
        ),
        (
            "mismatch_db = -1.0",
            0.0,
            Some(FaultKind::SensitivityMismatch),
        ),
        ("mismatch_s = 3e-6", 0.0, Some(FaultKind::DelayMismatch)),
        ("mismatch_s = -3e-6", 0.0, Some(FaultKind::DelayMismatch)),
    ];
    for (pattern, stated) in [
        ("cardioid", Pattern::Cardioid),
        ("hypercardioid", Pattern::Hypercardioid),
    ] {
        let mut options = Options::default();
        options.directivity.pattern = Some(stated);
        for (how, turned_deg, planted) in cases {
            let found = spoilt(Some(pattern), &round(30), turned_deg, how, &options).microphones;
            let faults: Vec<FaultKind> = found.faults.iter().map(|f| f.fault).collect();
            assert_eq!(
                faults,
                Vec::from_iter(planted),
                "{pattern} {how}: {found:?}"
            );
        }
    }
}
