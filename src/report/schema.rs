//! The JSON Schema of the record, made from its types.

use schemars::generate::SchemaSettings;

use super::json::pretty;
use crate::diagnostic::Result;
use crate::pipeline::Record;

/// What a record may hold, as JSON Schema of draft 2020-12.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if it cannot be written.
pub fn schema() -> Result<String> {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    pretty(&settings.into_generator().into_root_schema_for::<Record>())
}
