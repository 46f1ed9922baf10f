//! The part of the range of speech that is heard.

use super::super::absent;
use super::{BandAudibility, Input, at_most, common};
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{Band, ForceLevel, Percent, Reading};

/// Percent of the range between `valley` and `peak` above `threshold`, in dB.
fn share(valley: f64, peak: f64, threshold: f64) -> f64 {
    100.0 * ((peak - threshold) / (peak - valley).max(1e-9)).clamp(0.0, 1.0)
}

/// 30th and 99th percentile of the force in dB re 1 µN; why the upper one is only a
/// bound. A lower one that is a bound stands for itself: it moves the range by a part of
/// what the threshold is uncertain by.
struct Range<'a> {
    valley: f64,
    peak: f64,
    bound: Option<&'a str>,
}

impl<'a> Range<'a> {
    fn of(speech: &'a BandSpeech) -> Option<Self> {
        let (valley, _) = at_most(&speech.force.percentile_30)?;
        let (peak, bound) = at_most(&speech.force.percentile_99)?;
        Some(Self {
            valley: valley.db(),
            peak: peak.db(),
            bound,
        })
    }

    fn share(&self, threshold: f64) -> f64 {
        share(self.valley, self.peak, threshold)
    }
}

/// The part of the range of `speech` above `threshold`.
pub(super) fn of(speech: &BandSpeech, threshold: &Reading<ForceLevel>) -> Reading<Percent> {
    let Some(range) = Range::of(speech) else {
        return absent("the percentiles of the speech were not measured");
    };
    let percent = |threshold: ForceLevel, off: f64| range.share(threshold.db() + off);
    let above = speech.force.percentile_99.minus(threshold);
    match (threshold, range.bound, &above) {
        (Reading::Measured(level, _), Some(why), _) => {
            Reading::AtMost(Percent(percent(*level, 0.0)), why.to_owned())
        }
        (Reading::Measured(level, _), None, Reading::Measured(_, budget)) => Reading::measured(
            Percent(percent(*level, 0.0)),
            budget.through(|off| percent(*level, off)),
        ),
        (Reading::AtLeast(level, why), ..) => {
            Reading::AtMost(Percent(percent(*level, 0.0)), why.clone())
        }
        (Reading::NotMeasured(why), ..) => Reading::NotMeasured(why.clone()),
        _ => absent("the threshold is only a bound"),
    }
}

/// Mean over the bands with a threshold; where there was no response, nothing is
/// heard.
pub(super) fn mean(input: &Input<'_>, bands: &[BandAudibility]) -> Reading<Percent> {
    let speech = |band: Band| input.speech.speech.bands.iter().find(|s| s.band == band);
    let mut ranges: Vec<(Range<'_>, f64)> = Vec::new();
    let mut silent = 0;
    for band in bands {
        match (&band.threshold, speech(band.band).and_then(Range::of)) {
            (Reading::Measured(threshold, _), Some(range)) => {
                ranges.push((range, threshold.db()));
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
        let shares = ranges.iter().map(|(range, level)| range.share(level + off));
        shares.sum::<f64>() / (ranges.len() + silent) as f64
    };
    let mean = Percent(mean_of(0.0));
    // Nothing is heard of a bound below the threshold, however far below the speech is.
    let mut heard = ranges
        .iter()
        .filter(|(range, level)| range.share(*level) > 0.0);
    match heard.find_map(|(range, _)| range.bound) {
        Some(why) => Reading::AtMost(mean, why.to_owned()),
        None => Reading::measured(mean, budget.through(mean_of)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::speech_percentiles::Speech;
    use crate::quantity::{Quantity, Uncertainty};

    /// Speech whose valleys stand at 50 dB and whose peaks are `peak`.
    fn speech(peak: Reading<ForceLevel>) -> BandSpeech {
        let measured = |db| Reading::measured(ForceLevel::from_db(db), Uncertainty::EXACT);
        fn none<Q: Quantity>() -> Speech<Q> {
            let none = || Reading::not_measured("not part of this check");
            Speech {
                leq: none(),
                percentile_30: none(),
                percentile_65: none(),
                percentile_99: none(),
            }
        }
        BandSpeech {
            band: Band::named(160.0).unwrap(),
            force: Speech {
                leq: measured(60.0),
                percentile_30: measured(50.0),
                percentile_65: measured(60.0),
                percentile_99: peak,
            },
            sound: none(),
            gain: none(),
        }
    }

    #[test]
    fn of_peaks_that_are_a_bound_so_much_is_heard_at_most() {
        let threshold = |db| Reading::measured(ForceLevel::from_db(db), Uncertainty::EXACT);
        let bound = speech(Reading::AtMost(ForceLevel::from_db(80.0), "leak".into()));
        for (db, percent) in [(65.0, 50.0), (90.0, 0.0)] {
            match of(&bound, &threshold(db)) {
                Reading::AtMost(Percent(found), why) => {
                    assert_eq!((found, why.as_str()), (percent, "leak"));
                }
                other => panic!("{other:?}"),
            }
        }
        let sure = speech(threshold(80.0));
        let found = of(&sure, &threshold(65.0)).figure().unwrap();
        assert_eq!(found.value(), 50.0);
    }
}
