//! Force level minus pressure level of one capture, over one or several bands.

use super::reduce::Levels;
use super::{scatter, skirts};
use crate::calibration::Channel;
use crate::diagnostic::Result;
use crate::quantity::{Origin, Role, Uncertainty};

/// A gain and how sure it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Gain {
    /// Force over sound pressure in dB re 1 N/Pa.
    pub db: f64,
    /// Of both calibrations, of the analysis as far as it treats the channels
    /// differently, and of the finite time.
    pub uncertainty: Uncertainty,
}

impl Levels {
    /// The gain over the bands in `columns` together; `None` where a channel is
    /// absent or silent or the interval too short to tell.
    ///
    /// Where the force follows the sound the ratio scatters less than either: the
    /// delta method on the ratio of two means (textbook) takes the scatter of the
    /// difference of their relative deviations. The same filters stand in both
    /// channels, so of what they let in from neighbouring bands the difference
    /// counts; over several bands it moves from one to the next and cancels.
    ///
    /// # Errors
    /// [`Problem::Internal`](crate::Problem::Internal) without reduced bands.
    pub fn gain(&self, columns: &[usize]) -> Result<Option<Gain>> {
        let bands = self.bands()?;
        let [Some(force), Some(microphone)] = &self.channels else {
            return Ok(None);
        };
        let [f, p] = Role::ALL.map(|role| bands.course_of(role, columns));
        let mean = |course: &[f64]| course.iter().sum::<f64>() / course.len() as f64;
        let (mean_f, mean_p) = (mean(&f), mean(&p));
        let db = 10.0 * (mean_f / mean_p).log10();
        let apart: Vec<f64> = f
            .iter()
            .zip(&p)
            .map(|(f, p)| f / mean_f - p / mean_p)
            .collect();
        let Some(statistics) =
            scatter::expanded_db(&apart, bands.step_s).filter(|_| db.is_finite())
        else {
            return Ok(None);
        };
        let calibration = |channel: &Channel| match columns {
            [column] => channel.uncertainty_at(bands.bands[*column].exact_hz()),
            _ => channel.uncertainty(),
        };
        let mut uncertainty = calibration(force).minus(&calibration(microphone));
        if let [column] = columns {
            let excess = |role: Role| {
                let powers = bands
                    .mean_square
                    .index_axis(ndarray::Axis(0), role as usize);
                skirts::excess(&powers.to_vec())[*column]
            };
            let of = |role| skirts::error_db(excess(role));
            let analysis = (of(Role::Force) - of(Role::Microphone)).abs();
            uncertainty = uncertainty.and(Origin::Analysis, analysis);
        }
        let uncertainty = uncertainty.and(Origin::Statistics, statistics);
        Ok(Some(Gain { db, uncertainty }))
    }
}
