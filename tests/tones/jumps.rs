//! Attack and release within 1 ms or 5 % of the bench's truth.

use micronewton::measurement::Outcome;

use crate::{bench, measured, measured_with, row};

fn errors(rate_hz: u32, bits: u16, attack_s: f64, release_s: f64) {
    let device = format!(
        "[device.compression]\nratio = [3.0]\nknee_db_spl = [50.0]\nattack_s = {attack_s}\n\
         release_s = {release_s}\n"
    );
    let capture = "[[capture]]\nname = \"b\"\nrole = \"attack_release\"\nduration_s = 9.5\n\
                   stimulus = { kind = \"bursts\", frequency_hz = 2000.0, on_s = 1.0, \
                   off_s = 2.0, rest_db_spl = 55.0 }\nlevel_db_spl = 90.0\nfrom_s = 0.0\n";
    // 30 dB below the softer of both levels.
    let (record, rows) = measured(&format!("{}{device}{capture}", bench(rate_hz, bits, 25.0)));
    for (quantity, least_s) in [("attack", attack_s), ("release", release_s)] {
        let row = row(&rows, &format!("attack_release {quantity}"));
        eprintln!(
            "{rate_hz} Hz, {bits} bit, {attack_s} s, {release_s} s: {quantity} within {:.5} s",
            row.max
        );
        assert_eq!(
            (row.compared, row.missing),
            (1, 0),
            "{row:?} {:#?}",
            record.entries.last()
        );
        // The time to the criterion is longer than the time constant: 5 % of that is
        // the stricter limit.
        assert!(row.max <= (0.05 * least_s).max(0.001), "{row:?}");
    }
}

#[test]
fn times_stand_within_a_millisecond_or_five_per_cent() {
    for rate_hz in [16_000, 44_100, 96_000] {
        for bits in [16, 24] {
            errors(rate_hz, bits, 0.005, 0.08);
        }
    }
    errors(48_000, 24, 0.02, 0.3);
}

#[test]
fn the_criterion_of_two_decibels_takes_longer() {
    let device = "[device.compression]\nratio = [3.0]\nknee_db_spl = [50.0]\n\
                  attack_s = 0.02\nrelease_s = 0.08\n";
    let capture = "[[capture]]\nname = \"b\"\nrole = \"attack_release\"\nduration_s = 6.5\n\
                   stimulus = { kind = \"bursts\", frequency_hz = 2000.0, on_s = 1.0, \
                   off_s = 2.0, rest_db_spl = 55.0 }\nlevel_db_spl = 90.0\nfrom_s = 0.0\n";
    let text = format!("{}{device}{capture}", bench(24_000, 24, 20.0));
    let times = |options: &str| {
        let (record, _) = measured_with(&text, &|session| format!("{session}\n{options}"));
        let mut outcomes = record.entries.iter().map(|entry| &entry.outcome);
        let found = outcomes.find_map(|outcome| match outcome {
            Outcome::AttackRelease(found) => Some(found),
            _ => None,
        });
        let found = found.unwrap();
        [&found.attack, &found.release].map(|reading| reading.figure().unwrap().0)
    };
    let [attack, release] = times("");
    let [attack_2, release_2] = times("[options.attack_release]\ncriterion = \"iec_60118_2\"\n");
    eprintln!("{attack} {attack_2} {release} {release_2}");
    assert!(attack_2 > attack && release_2 > release);
}
