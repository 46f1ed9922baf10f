//! A simulated bench whose true values are known: device, skull simulator,
//! reference microphone and recorder, rendered from a scenario.
//!
//! A scenario names a stimulus, a device, feedback paths and a recorder; the
//! bench renders what the recorder would have written and, beside it, what was
//! truly there. docs/bench.md describes the scenario file, the models and what
//! they leave out.
//!
//! ```
//! use micronewton::bench::{Renderer, Scenario};
//! let scenario = Scenario::parse(r#"
//!     schema = 1
//!     [[capture]]
//!     name = "tone"
//!     role = "general"
//!     duration_s = 0.5
//!     stimulus = { kind = "tone", frequency_hz = 1000.0 }
//!     level_db_spl = 60.0
//! "#).unwrap();
//! let mut renderer = Renderer::new(&scenario, 0, None).unwrap();
//! let mut frames = [[0.0; 2]; 24_000];
//! assert_eq!(renderer.block(&mut frames), 24_000);
//! // 60 dB SPL and 30 dB of gain make 90 dB re 1 µN: √2 · 31.6 mN · 0.132 V/N.
//! let peak = frames.iter().fold(0.0, |peak, f| f64::max(peak, f[0]));
//! assert!((peak - 5.903e-3).abs() < 1e-5);
//! ```

mod device;
mod document;
mod feedback;
mod filter;
mod fir;
mod knock;
mod loop_gain;
mod output;
mod random;
mod recorder;
mod renderer;
mod scenario;
mod session;
mod spectrum;
mod stimulus;
mod truth;

pub use output::render;
pub use renderer::Renderer;
pub use scenario::{Capture, Scenario};
