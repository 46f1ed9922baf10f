//! Laws of the simulated bench, from outside.

mod closed_loop;
mod whole;

use micronewton::bench::{Renderer, Scenario};

/// Samples of the first capture, rendered in blocks of `block` frames.
pub fn samples(scenario: &str, block: usize) -> Vec<[f64; 2]> {
    let scenario = Scenario::parse(scenario).unwrap();
    let mut renderer = Renderer::new(&scenario, 0, None).unwrap();
    let mut frames = vec![[0.0; 2]; block];
    let mut all = Vec::new();
    loop {
        let count = renderer.block(&mut frames);
        if count == 0 {
            return all;
        }
        all.extend_from_slice(&frames[..count]);
    }
}

/// A scenario of one capture on a recorder of 1 V, 1 V/N, 1 V/Pa and floating
/// point: force in N, pressure in Pa.
pub fn physical(blocks: &str, capture: &str) -> String {
    format!(
        "schema = 1\n[recorder]\nbits = 32\n[force]\nsensitivity_v_per_n = 1.0\n\
         [microphone]\nsensitivity_v_per_pa = 1.0\n{blocks}\n\
         [[capture]]\nname = \"a\"\nrole = \"general\"\n{capture}\n"
    )
}
