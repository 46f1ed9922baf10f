//! Full-on sensitivity, force level response, reference test setting and input/output
//! curve against the bench's truth and the figures of its scenario.

use micronewton::measurement::presented::Verdict;
use micronewton::measurement::{Outcome, force_level_response, input_output};
use micronewton::pipeline::Record;
use micronewton::quantity::{Frequency, Reading};

use crate::{bench, measured, row, sweep};

const TONES: &str = "200, 251.19, 316.23, 398.11, 501.19, 630.96, 794.33, 1000, 1258.9, 1584.9, \
                     1995.3, 2511.9, 3162.3, 3981.1, 5011.9, 6309.6";
/// Below 50 dB SPL linear, then 2 : 1, and a ceiling that 90 dB SPL reaches.
const DEVICE: &str = "[device.compression]\nratio = [2.0]\nknee_db_spl = [62.0]\n\
                      attack_s = 0.005\nrelease_s = 0.05\n";

/// A staircase at 2 kHz.
fn staircase(levels: &str, step_s: f64) -> String {
    let duration_s = (levels.matches(',').count() as f64 + 1.0) * step_s + 1.0;
    format!(
        "[[capture]]\nname = \"stairs\"\nrole = \"input_output\"\nduration_s = {duration_s}\n\
         stimulus = {{ kind = \"staircase\", frequency_hz = 2000.0, levels_db_spl = [{levels}], \
         step_s = {step_s} }}\nstart_s = 0.5\nfrom_s = 0.0\n"
    )
}

fn response(record: &Record) -> &force_level_response::Outcome {
    let mut all = record.entries.iter().map(|entry| &entry.outcome);
    all.find_map(|outcome| match outcome {
        Outcome::ForceLevelResponse(found) => Some(found),
        _ => None,
    })
    .unwrap()
}

fn stairs(record: &Record) -> &input_output::Outcome {
    let mut all = record.entries.iter().map(|entry| &entry.outcome);
    all.find_map(|outcome| match outcome {
        Outcome::InputOutput(found) => Some(found),
        _ => None,
    })
    .unwrap()
}

fn errors(rate_hz: u32, bits: u16) {
    // The room 30 dB below the softest of the sweeps.
    let soft = sweep("soft", "full_on_sensitivity", TONES, 0.5, 50.0);
    let middle = sweep("middle", "force_level_response", TONES, 0.5, 60.0);
    let stairs = staircase("50, 55, 60, 65, 70, 75, 80, 85, 90", 0.6);
    let (_, rows) = measured(&format!(
        "{}{DEVICE}{soft}{middle}{stairs}",
        bench(rate_hz, bits, 20.0)
    ));
    for (quantity, most_db) in [
        ("full_on_sensitivity sensitivity", 0.1),
        ("force_level_response force", 0.1),
        ("input_output points.force", 0.1),
    ] {
        let row = row(&rows, quantity);
        eprintln!(
            "{rate_hz} Hz, {bits} bit: {quantity} {} within {:.3} dB",
            row.compared, row.max
        );
        assert_eq!(row.missing, 0, "{rate_hz} Hz, {bits} bit: {row:?}");
        assert!(row.max <= most_db, "{rate_hz} Hz, {bits} bit: {row:?}");
        assert!(row.covered_percent.is_none_or(|c| c >= 95.0), "{row:?}");
    }
}

#[test]
fn curves_stand_within_a_tenth_of_a_decibel_at_every_rate_and_depth() {
    for rate_hz in [16_000, 44_100, 96_000] {
        for bits in [16, 24] {
            errors(rate_hz, bits);
        }
    }
}

#[test]
fn knee_slopes_and_limit_are_those_of_the_device() {
    let limited = format!("{DEVICE}[device.limiter]\nceiling_db = 105.0\n");
    for (device, limits) in [(DEVICE, false), (limited.as_str(), true)] {
        let levels = "45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95";
        let text = format!(
            "{}{device}{}",
            bench(48_000, 24, 15.0),
            staircase(levels, 0.6)
        );
        let (record, _) = measured(&text);
        let curve = &stairs(&record).curves[0];
        eprintln!(
            "{:?} {:?} {:?} {:?}",
            curve.slope_below, curve.knee, curve.slope, curve.limiting
        );
        assert_eq!(curve.nominal_hz, 2000.0);
        assert!((curve.slope_below.figure().unwrap().0 - 1.0).abs() < 0.01);
        assert!((curve.slope.figure().unwrap().0 - 0.5).abs() < 0.01);
        assert!((curve.knee.figure().unwrap().db() - 62.0).abs() < 0.3);
        assert_eq!(curve.limiting.figure().is_some(), limits);
        assert!(curve.missing.is_empty(), "{:?}", curve.missing);
    }
}

#[test]
fn a_level_that_was_not_presented_is_named() {
    let text = format!(
        "{}{DEVICE}{}",
        bench(24_000, 24, 15.0),
        staircase("50, 60, 80, 60", 0.6)
    );
    let (record, _) = measured(&text);
    let curve = &stairs(&record).curves[0];
    assert_eq!(curve.points.len(), 3);
    assert_eq!(curve.missing.len(), 2, "{:?}", curve.missing);
    assert!(curve.missing[0].starts_with("70 dB SPL: no step"));
}

/// The transducer of the bench: a second-order high-pass at 800 Hz, Q 2 (textbook).
fn transducer_db(hz: f64) -> f64 {
    let x = hz / 800.0;
    let size = x * x / ((1.0 - x * x).powi(2) + (x / 2.0).powi(2)).sqrt();
    20.0 * size.log10()
}

#[test]
fn the_range_ends_where_the_response_lies_twenty_decibels_below_its_average() {
    let finer = format!("{TONES}, 260, 270, 280, 290, 4600, 4800, 5200, 5400");
    let falling = "[device]\ngain_db = [[1000.0, 30.0], [8000.0, -6.0]]\n";
    // The filter of the bench makes such a slope to 0.2 dB only: 1.5 % of frequency.
    for (device, octave_db, upper, finest) in
        [("", 0.0, false, 0.002), (falling, 12.0, true, 0.015)]
    {
        let gain_db = |hz: f64| transducer_db(hz) - octave_db * (hz / 1000.0).log2().max(0.0);
        let average = [1000.0, 1584.9, 2511.9].map(gain_db).iter().sum::<f64>() / 3.0;
        let (mut below, mut above) = if upper {
            (8000.0, 2000.0)
        } else {
            (150.0, 600.0)
        };
        for _ in 0..60 {
            let middle = 0.5 * (below + above);
            match gain_db(middle) < average - 20.0 {
                true => below = middle,
                false => above = middle,
            }
        }
        for (tones, share) in [(TONES, 0.02), (finer.as_str(), finest)] {
            let middle = sweep("middle", "force_level_response", tones, 0.5, 60.0);
            let (record, _) = measured(&format!("{}{device}{middle}", bench(48_000, 24, 20.0)));
            let found = response(&record);
            let reading = if upper {
                &found.range_to
            } else {
                &found.range_from
            };
            eprintln!("{reading:?}, true {below}");
            let Reading::Measured(Frequency(measured), budget) = reading else {
                panic!("{reading:?}");
            };
            assert!((measured - below).abs() < budget.expanded().unwrap());
            assert!((measured / below - 1.0).abs() < share);
        }
    }
    let middle = sweep("middle", "force_level_response", TONES, 0.5, 60.0);
    // A device without such cuts carries more than the sweep asks for: bounds.
    let (record, _) = measured(&format!("{}{middle}", bench(24_000, 24, 20.0)));
    let found = response(&record);
    assert!(
        matches!(found.range_to, Reading::AtLeast(..)),
        "{:?}",
        found.range_to
    );
    // A step that is missing beside the end leaves none.
    let gap = TONES.replace("5011.9, ", "");
    let middle = sweep("middle", "force_level_response", &gap, 0.5, 60.0);
    let (record, _) = measured(&format!("{}{falling}{middle}", bench(48_000, 24, 20.0)));
    let Reading::NotMeasured(why) = &response(&record).range_to else {
        panic!("{:?}", response(&record).range_to);
    };
    assert!(why.contains("between 6300 Hz and 4000 Hz"), "{why}");
}

#[test]
fn the_setting_is_held_against_the_largest_output() {
    let sweeps = [
        sweep("loud", "output_force_level", TONES, 0.5, 90.0),
        sweep("soft", "full_on_sensitivity", TONES, 0.5, 50.0),
        sweep("middle", "force_level_response", TONES, 0.5, 60.0),
    ];
    let text = format!("{}{DEVICE}{}", bench(48_000, 24, 20.0), sweeps.concat());
    let (record, _) = measured(&text);
    let found = response(&record);
    // Linear up to 62 dB SPL and 2 : 1 above: 90 dB SPL makes 2 dB and half of 28 dB
    // more force than 60 dB SPL. The gain is 1 dB too high for 17 dB.
    let over = found.setting_deviation.figure().unwrap().db();
    assert!((over - 1.0).abs() < 0.05, "{:?}", found.setting_deviation);
    // Full on is the gain of all three sweeps.
    let reserve = found.full_on_reserve.figure().unwrap().db();
    assert!((reserve - over).abs() < 0.05, "{:?}", found.full_on_reserve);
    // Without the sweep at 90 dB SPL there is nothing to hold it against.
    let (record, _) = measured(&format!("{}{DEVICE}{}", bench(48_000, 24, 20.0), sweeps[2]));
    assert!(response(&record).setting_deviation.figure().is_none());
}

#[test]
fn stated_steps_are_taken_as_they_are_stated() {
    let tones = sweep(
        "middle",
        "force_level_response",
        "1000, 1600, 2500",
        0.5,
        60.0,
    );
    // The last one begins where the sound has ended.
    let stated = "steps_s = [[0.5, 1.0], [1.0, 1.5], [2.1, 2.5]]\n";
    let scenario = format!("{}{tones}", bench(48_000, 24, 20.0));
    let (record, _) = crate::measured_with(&scenario, &|session| {
        session.replace(
            "role = \"force_level_response\"\n",
            &format!("role = \"force_level_response\"\n{stated}"),
        )
    });
    let found = response(&record);
    assert_eq!(
        found.curve.iter().map(|p| p.nominal_hz).collect::<Vec<_>>(),
        [1000.0, 1600.0]
    );
    assert_eq!(found.steps.len(), 3);
    assert!(matches!(&found.steps[2].verdict, Verdict::Unsteady(why) if why.contains("2.10 s")));
    let (free, _) = measured(&scenario);
    for (stated, found) in found.curve.iter().zip(&response(&free).curve) {
        let [a, b] = [stated, found].map(|p| p.force.figure().unwrap().db());
        assert!((a - b).abs() < 0.005, "{a} {b}");
    }
}

#[test]
fn stated_steps_late_in_a_recording_are_found_where_they_are() {
    // 10 ms are 220.5 frames here.
    let tones = ["1000"; 30].join(", 2000, ");
    let tones = sweep("middle", "force_level_response", &tones, 0.5, 60.0);
    let steps: Vec<String> = (1..60)
        .map(|n| 0.5 * f64::from(n))
        .map(|s| format!("[{s}, {}]", s + 0.5))
        .collect();
    let stated = format!("steps_s = [{}]\n", steps.join(", "));
    let (record, _) =
        crate::measured_with(&format!("{}{tones}", bench(22_050, 24, 20.0)), &|session| {
            let role = "role = \"force_level_response\"\n";
            session.replace(role, &format!("{role}{stated}"))
        });
    let steps = &response(&record).steps;
    assert_eq!(steps.len(), 59);
    for (step, hz) in steps.iter().zip([1000.0, 2000.0].iter().cycle()) {
        assert!((step.frequency_hz / hz - 1.0).abs() < 0.001, "{step:?}");
        assert!(!matches!(step.verdict, Verdict::Unsteady(_)), "{step:?}");
    }
}
