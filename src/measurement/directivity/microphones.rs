//! Two microphones in a row, fitted to the patterns of all bands together: distance,
//! delay and sensitivity of the rear one, and which is in front.
//!
//! Free field, from the geometry: |1 − m exp(−jω(T + τ cos θ))|, τ the travel time from
//! port to port, T the delay of the rear microphone before it is subtracted, m its
//! sensitivity relative to the front one. With the microphones exchanged, cos θ is
//! turned round. A mismatch of sensitivity fills the nulls at low frequencies, one of
//! delay moves them at all alike.

use std::f64::consts::TAU;

/// Speed of sound in air at 20 °C, m/s (textbook).
pub(super) const SOUND_M_PER_S: f64 = 343.0;
/// Distances of the ports tried first, in metres.
const SPACINGS_M: [f64; 7] = [0.004, 0.006, 0.008, 0.01, 0.012, 0.015, 0.018];
/// Ports lie no nearer and no farther apart, in metres: own choice. Without a bound
/// a pattern at one frequency fits at any distance.
const RANGE_M: [f64; 2] = [0.003, 0.025];
/// Sensitivities of the rear microphone tried first, in dB.
const SENSITIVITIES_DB: [f64; 13] = [
    -30.0, -10.0, -5.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 5.0, 10.0, 30.0,
];
/// Pattern parameters tried first, in tenths.
const PATTERNS: u32 = 9;
/// First steps of the refinement: of the logarithm of the distance, the ratio of the
/// delays and the sensitivity in dB; how often they are halved.
const STEPS: [f64; 3] = [0.1, 0.1, 0.5];
const HALVINGS: u32 = 12;

/// What one band shows: cosines of the angles, and amplitudes there.
pub(super) struct Shown {
    pub(super) frequency_hz: f64,
    pub(super) amplitudes: Vec<(f64, f64)>,
}

/// The two microphones that fit best.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fitted {
    pub(super) exchanged: bool,
    /// Logarithm of the travel time in seconds, T/τ, m in dB.
    parameters: [f64; 3],
    /// Root mean square of what is left, of the root mean square amplitude.
    pub(super) left: f64,
    /// The same for the best fit with the microphones the other way round.
    pub(super) left_otherwise: f64,
    /// Expanded uncertainties of T/τ and of m in dB, from what is left.
    pub(super) expanded: [f64; 2],
}

impl Fitted {
    pub(super) fn travel_s(&self) -> f64 {
        self.parameters[0].exp()
    }

    /// Delay of the rear microphone over the travel time.
    pub(super) fn delay_ratio(&self) -> f64 {
        self.parameters[1]
    }

    pub(super) fn sensitivity_db(&self) -> f64 {
        self.parameters[2]
    }

    /// The best fit to all bands; `None` without bands.
    pub(super) fn of(shown: &[Shown]) -> Option<Self> {
        let count: usize = shown.iter().map(|s| s.amplitudes.len()).sum();
        if count < 2 * STEPS.len() {
            return None;
        }
        let [upright, exchanged] = [1.0, -1.0].map(|sign| best(shown, sign));
        let (turned, best, other) = if exchanged.1 < upright.1 {
            (true, exchanged, upright)
        } else {
            (false, upright, exchanged)
        };
        let sign = if turned { -1.0 } else { 1.0 };
        let freedom = (count - STEPS.len() - shown.len()).max(1) as f64;
        let spread = spread(shown, best.0, sign);
        let expanded = [1, 2].map(|i| 2.0 * (best.1 / freedom * spread[i]).sqrt());
        let left = |squares: f64| (squares / count as f64).sqrt();
        Some(Self {
            exchanged: turned,
            parameters: best.0,
            left: left(best.1),
            left_otherwise: left(other.1),
            expanded,
        })
    }
}

/// The best parameters with the front microphone at `sign`, and the squares left.
fn best(shown: &[Shown], sign: f64) -> ([f64; 3], f64) {
    let mut best = ([0.0; 3], f64::INFINITY);
    let mut take = |parameters: [f64; 3]| {
        let left = squares(shown, parameters, sign);
        let better = left < best.1;
        if better {
            best = (parameters, left);
        }
        better
    };
    for spacing_m in SPACINGS_M {
        for tenths in 0..PATTERNS {
            let a = f64::from(tenths) / 10.0;
            for sensitivity_db in SENSITIVITIES_DB {
                take([
                    (spacing_m / SOUND_M_PER_S).ln(),
                    a / (1.0 - a),
                    sensitivity_db,
                ]);
            }
        }
    }
    let [nearest, farthest] = RANGE_M.map(|spacing_m| (spacing_m / SOUND_M_PER_S).ln());
    let mut at = best.0;
    for halving in 0..HALVINGS {
        let scale = 0.5f64.powi(halving as i32);
        // Every direction until none helps; a valley may need many steps.
        for _ in 0..60 {
            let before = at;
            for (i, step) in STEPS.iter().enumerate() {
                for direction in [1.0, -1.0] {
                    let mut tried = at;
                    tried[i] += direction * scale * step;
                    tried[0] = tried[0].clamp(nearest, farthest);
                    tried[1] = tried[1].max(0.0);
                    let left = squares(shown, tried, sign);
                    if left < best.1 {
                        best = (tried, left);
                        at = tried;
                    }
                }
            }
            if at == before {
                break;
            }
        }
    }
    best
}

/// Squares of the differences of the amplitudes, each band by its own root mean
/// square: what all angles share is no pattern.
fn squares(shown: &[Shown], parameters: [f64; 3], sign: f64) -> f64 {
    differences(shown, parameters, sign).map(|d| d * d).sum()
}

fn differences(
    shown: &[Shown],
    [travel, ratio, sensitivity_db]: [f64; 3],
    sign: f64,
) -> impl Iterator<Item = f64> {
    let (travel_s, m) = (travel.exp(), 10f64.powf(sensitivity_db / 20.0));
    shown.iter().flat_map(move |band| {
        let model: Vec<f64> = band
            .amplitudes
            .iter()
            .map(|(cosine, _)| {
                let phase = TAU * band.frequency_hz * travel_s * (ratio + sign * cosine);
                ((1.0 - m).powi(2) + 4.0 * m * (0.5 * phase).sin().powi(2)).sqrt()
            })
            .collect();
        let size = |amplitudes: &mut dyn Iterator<Item = f64>| {
            let squares: f64 = amplitudes.map(|x| x * x).sum();
            (squares / band.amplitudes.len() as f64)
                .sqrt()
                .max(f64::MIN_POSITIVE)
        };
        let own = size(&mut band.amplitudes.iter().map(|(_, amplitude)| *amplitude));
        let models = size(&mut model.iter().copied());
        let pairs = band.amplitudes.iter().zip(model);
        let apart = pairs.map(|((_, amplitude), model)| amplitude / own - model / models);
        apart.collect::<Vec<_>>()
    })
}

/// The diagonal of the inverse of the normal equations at `parameters`.
fn spread(shown: &[Shown], parameters: [f64; 3], sign: f64) -> [f64; 3] {
    let slope = |i: usize| -> Vec<f64> {
        let step = 1e-4;
        let [up, down] = [step, -step].map(|step| {
            let mut moved = parameters;
            moved[i] += step;
            differences(shown, moved, sign)
        });
        up.zip(down).map(|(u, d)| (u - d) / (2.0 * step)).collect()
    };
    let slopes = [slope(0), slope(1), slope(2)];
    let n =
        |i: usize, j: usize| -> f64 { slopes[i].iter().zip(&slopes[j]).map(|(a, b)| a * b).sum() };
    let minor = |i: usize, j: usize| n(i, i) * n(j, j) - n(i, j) * n(i, j);
    let whole = n(0, 0) * minor(1, 2) - n(0, 1) * (n(0, 1) * n(2, 2) - n(1, 2) * n(0, 2))
        + n(0, 2) * (n(0, 1) * n(1, 2) - n(1, 1) * n(0, 2));
    [minor(1, 2), minor(0, 2), minor(0, 1)].map(|minor| minor / whole)
}
