//! From a plan to a record: which captures to read, what to measure on them,
//! and everything that came out.

mod checks;
mod document;
mod inspect;
mod plan;
mod record;
mod run;
mod score;
mod session;

pub use document::{Text, parse_calibration, read_calibration, read_session};
pub use inspect::{InspectionRecord, inspect};
pub use plan::{CapturePlan, Plan, Request};
pub use record::{Doubt, Entry, Record, Tool};
pub use run::{Progress, run};
pub use score::{ScoreRow, score};
pub use session::{AgeGroup, CaptureRole, Device, Person, Session, Side, TestBox};
