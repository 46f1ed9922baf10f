//! What a channel of a capture records.

use schemars::JsonSchema;
use serde::Serialize;

/// The two channels of the bench. Arrays over channels keep this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// The force transducer of the skull simulator.
    Force,
    /// The reference microphone beside the device.
    Microphone,
}

impl Role {
    /// Both roles in the order of every array over channels.
    pub const ALL: [Self; 2] = [Self::Force, Self::Microphone];

    /// The role as documents and records name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Force => "force",
            Self::Microphone => "microphone",
        }
    }
}
