//! From a plan to a record: which captures to read, what to measure on them,
//! and everything that came out.

mod checks;
mod document;
mod ears;
mod inspect;
mod plan;
mod pseudonym;
mod recipe;
mod record;
mod run;
mod score;
mod session;
mod subject;
mod withheld;

pub use crate::assessment::{AgeGroup, Person};
pub use document::{Text, parse_calibration, read_calibration, read_session};
pub use ears::left_and_right;
pub use inspect::{InspectionRecord, inspect};
pub use plan::{CapturePlan, Plan, Request};
pub use recipe::{Again, Recipe};
pub use record::{Assessment, Doubt, Entry, Record, Tool};
pub use run::{Progress, run};
pub use score::{ScoreRow, score};
pub use session::{CaptureRole, Device, Session, Side, TestBox};
pub use withheld::Withheld;
