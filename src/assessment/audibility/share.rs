//! The part of the range of speech that is heard.

use super::super::absent;
use super::{BandAudibility, Input, common};
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{Band, ForceLevel, Level, Percent, Reading};

/// Percent of the range between `valley` and `peak` above `threshold`, in dB.
fn share(valley: f64, peak: f64, threshold: f64) -> f64 {
    100.0 * ((peak - threshold) / (peak - valley).max(1e-9)).clamp(0.0, 1.0)
}

/// 30th and 99th percentile of the force in dB re 1 µN.
fn range(speech: &BandSpeech) -> Option<(f64, f64)> {
    let db = |reading: &Reading<ForceLevel>| reading.figure().map(Level::db);
    db(&speech.force.percentile_30).zip(db(&speech.force.percentile_99))
}

/// The part of the range of `speech` above `threshold`.
pub(super) fn of(speech: &BandSpeech, threshold: &Reading<ForceLevel>) -> Reading<Percent> {
    let Some((valley, peak)) = range(speech) else {
        return absent("the percentiles of the speech were not measured");
    };
    let percent = |threshold: ForceLevel, off: f64| share(valley, peak, threshold.db() + off);
    match (threshold, &speech.force.percentile_99.minus(threshold)) {
        (Reading::Measured(level, _), Reading::Measured(_, budget)) => Reading::measured(
            Percent(percent(*level, 0.0)),
            budget.through(|off| percent(*level, off)),
        ),
        (Reading::AtLeast(level, why), _) => {
            Reading::AtMost(Percent(percent(*level, 0.0)), why.clone())
        }
        (Reading::NotMeasured(why), _) => Reading::NotMeasured(why.clone()),
        _ => absent("the threshold is only a bound"),
    }
}

/// Mean over the bands with a threshold; where there was no response, nothing is
/// heard.
pub(super) fn mean(input: &Input<'_>, bands: &[BandAudibility]) -> Reading<Percent> {
    let speech = |band: Band| input.speech.speech.bands.iter().find(|s| s.band == band);
    let mut ranges = Vec::new();
    let mut silent = 0;
    for band in bands {
        match (&band.threshold, speech(band.band).and_then(range)) {
            (Reading::Measured(threshold, _), Some((valley, peak))) => {
                ranges.push((valley, peak, threshold.db()));
            }
            (Reading::NotMeasured(_), Some(_)) if input.hearing.no_response(band.band) => {
                silent += 1;
            }
            _ => {}
        }
    }
    let Some(budget) = common(bands).filter(|_| !ranges.is_empty()) else {
        return absent("no band has both percentiles of speech and a threshold");
    };
    let mean_of = |off: f64| {
        let shares = ranges
            .iter()
            .map(|(valley, peak, level)| share(*valley, *peak, level + off));
        shares.sum::<f64>() / (ranges.len() + silent) as f64
    };
    Reading::measured(Percent(mean_of(0.0)), budget.through(mean_of))
}
