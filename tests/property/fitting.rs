//! The changes of gain that are suggested, made on a simulated device: speech
//! comes within tolerance in one step where the device is linear, and within two
//! where its limiter takes part of a change back.

use micronewton::Calibrated;
use micronewton::assessment::hearing::Hearing;
use micronewton::assessment::prescription::{Prescription, Source};
use micronewton::assessment::targets::{self, Outcome as Targets};
use micronewton::assessment::{Evidence, Measured, Person, Subject, Verdict};
use micronewton::bench::{Renderer, Scenario};
use micronewton::levels::{Scope, reduce};
use micronewton::measurement::{Captures, Kind, Options, Outcome};

const LEVELS_DB_SPL: [f64; 2] = [65.0, 75.0];
/// Channels whose gain is set, in Hz.
const EDGES_HZ: [f64; 4] = [710.0, 1420.0, 2840.0, 5680.0];

/// Speech-shaped noise through a device with these gains above 30 dB.
fn speech(more: &str, gains_db: [f64; 3]) -> Vec<Outcome> {
    let channel = |(edges, gain): (&[f64], f64)| {
        let gain = 30.0 + gain;
        format!(
            "[{:.0}.0, {gain}], [{:.0}.0, {gain}]",
            1.02 * edges[0],
            0.98 * edges[1]
        )
    };
    let curve: Vec<String> = EDGES_HZ.windows(2).zip(gains_db).map(channel).collect();
    let captures = LEVELS_DB_SPL.map(|level| {
        format!(
            "[[capture]]\nname = \"s{level}\"\nrole = \"speech\"\nduration_s = 8.0\n\
             stimulus = {{ kind = \"speech_noise\" }}\nstream = 1\nlevel_db_spl = {level}\n"
        )
    });
    let text = format!(
        "schema = 1\nrate_hz = 16000\n[force]\nsensitivity_v_per_n = 1.0\n\
         [microphone]\nsensitivity_v_per_pa = 1.0\n\
         [device]\ngain_db = [[500.0, 30.0], {}, [6000.0, 30.0]]\n{more}\n{}",
        curve.join(", "),
        captures.concat()
    );
    let scenario = Scenario::parse(&text).unwrap();
    (0..LEVELS_DB_SPL.len())
        .map(|index| {
            let mut frames = vec![[0.0; 2]; 8 * 16_000];
            Renderer::new(&scenario, index, None)
                .unwrap()
                .block(&mut frames);
            let kind = Kind::SpeechPercentiles;
            let signal = Calibrated::from_signal(16_000, frames);
            let levels = reduce(signal, kind.needs(), Scope::default(), &mut |_| {}).unwrap();
            let captures = Captures::new(kind, [("capture", &levels)]);
            kind.measure(&captures, &Options::default()).unwrap()
        })
        .collect()
}

fn assess(speech: &[Outcome], subject: &Subject) -> Targets {
    let names = LEVELS_DB_SPL.map(|level| format!("s{level}"));
    let measured = speech.iter().zip(&names).zip(LEVELS_DB_SPL);
    let measured = measured.map(|((outcome, capture), level)| Measured {
        captures: vec![capture],
        role: "speech",
        level_db_spl: Some(level),
        outcome,
    });
    let evidence = Evidence {
        subject: Some(subject),
        measured: measured.collect(),
        ..Evidence::default()
    };
    let options = targets::Options {
        channel_edges_hz: EDGES_HZ.to_vec(),
        ..targets::Options::default()
    };
    targets::assess(&targets::Input::bind(&evidence)[0], &options).unwrap()
}

/// A person whose targets are what `device` delivers.
fn aiming_at(device: &[Outcome]) -> Subject {
    aiming(device, "adult", 0.0)
}

/// The same for an age group, with targets higher by `more_db`.
fn aiming(device: &[Outcome], group: &str, more_db: f64) -> Subject {
    let mut table = "nominal_hz,speech_level_db_spl,age_group,target_db\n".to_owned();
    for (outcome, level) in device.iter().zip(LEVELS_DB_SPL) {
        let Outcome::SpeechPercentiles(speech) = outcome else {
            unreachable!()
        };
        for band in &speech.bands {
            let target = band.force.leq.figure().unwrap().db() + more_db;
            table += &format!("{},{level},{group},{target:.3}\n", band.band.nominal_hz());
        }
    }
    let person: Person = toml::from_str(&format!(
        "code = 'P-1'\nage_group = '{group}'\nhearing_in = 'force_level'\n[thresholds]\n\
         500 = 60\n1000 = 55\n2000 = 50\n4000 = 55\n[uncomfortable]\n\
         500 = 125\n1000 = 122\n2000 = 118\n4000 = 118\n",
    ))
    .unwrap();
    Subject {
        age_group: person.age_group,
        hearing: Hearing::of(&person, None).unwrap().unwrap(),
        prescription: Prescription::of(&person, Source::table(&table).unwrap()).unwrap(),
    }
}

/// Steps until every band lies within tolerance, from a device whose channels
/// are off by `gains`, and whether the first changes were said to suffice.
fn steps(device: &str, mut gains: [f64; 3]) -> (usize, bool) {
    let subject = aiming_at(&speech(device, [0.0; 3]));
    let mut sufficient = true;
    for step in 0..4 {
        let found = assess(&speech(device, gains), &subject);
        let mut bare = Vec::new();
        super::bare_numbers(&serde_json::to_value(&found).unwrap(), "targets", &mut bare);
        assert!(bare.is_empty(), "{bare:?}");
        if found
            .levels
            .iter()
            .all(|level| level.verdict == Verdict::Within)
        {
            assert!(found.changes.is_empty(), "{:?}", found.changes);
            return (step, sufficient);
        }
        assert!(!found.changes.is_empty());
        sufficient &= found.changes.iter().all(|change| change.suffices);
        for change in &found.changes {
            let edge = |edge: &f64| *edge == change.from_hz;
            let channel = EDGES_HZ.iter().position(edge).unwrap();
            gains[channel] += change.change.figure().unwrap().db();
        }
    }
    panic!("not within tolerance after four steps: {gains:?}");
}

#[test]
fn a_linear_device_comes_within_tolerance_in_one_step() {
    for gains in [[0.0, -11.0, 0.0], [0.0, 0.0, 12.0], [0.0, -9.0, -11.0]] {
        assert_eq!(steps("", gains), (1, true), "{gains:?}");
    }
}

/// Channels overlap: neighbours that err by 23 dB against each other leave bands
/// between them that contradict. The first changes say so, and the second are
/// enough.
#[test]
fn contradicting_neighbours_are_said_to_need_more_than_one_step() {
    assert_eq!(steps("", [0.0, -11.0, 12.0]), (2, false));
}

#[test]
fn a_compressing_device_comes_within_tolerance_in_two() {
    let device = "[device.compression]\ncrossovers_hz = [1000.0, 2500.0]\nratio = [1.5, 2.0, 2.0]\n\
                  knee_db_spl = [45.0, 45.0, 45.0]\n[device.limiter]\nceiling_db = 97.0\n";
    let (steps, _) = steps(device, [0.0, -11.0, 12.0]);
    assert!((1..=2).contains(&steps), "{steps} steps");
}

/// 4 dB below every target: no band is outside its tolerance, and the root mean square is
/// within 5 dB for an adult but beyond the 3 dB of a child.
#[test]
fn a_child_is_held_to_the_smaller_root_mean_square() {
    let device = speech("", [0.0; 3]);
    for (group, rms, outside) in [
        ("adult", Verdict::Within, false),
        ("child", Verdict::Outside, true),
    ] {
        let found = assess(&device, &aiming(&device, group, 4.0));
        for level in &found.levels {
            assert_eq!(level.verdict, Verdict::Within, "{group}");
            assert_eq!(level.rms_verdict, rms, "{group}");
        }
        let found = micronewton::assessment::Outcome::Targets(found);
        assert_eq!(found.outside(), outside, "{group}");
    }
}
