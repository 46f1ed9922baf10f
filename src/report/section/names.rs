//! What a reader calls the figures of a record.

/// Figures, and what a reader calls them.
const NAMES: [(&str, &str, &str); 36] = [
    ("levels", "force.leq", "Force level"),
    ("levels", "microphone.leq", "Sound level"),
    ("levels", "gain", "Gain"),
    ("sensitivity", "sensitivity", "Sensitivity"),
    ("sensitivity", "delay", "Delay"),
    ("equivalent_input_noise", "total", "Equivalent input noise"),
    ("output_force_level", "force", "OFL90"),
    ("output_force_level", "maximum", "OFL90, maximum"),
    (
        "output_force_level",
        "high_frequency_average",
        "OFL90, high-frequency average",
    ),
    ("full_on_sensitivity", "sensitivity", "Full-on sensitivity"),
    ("force_level_response", "force", "Force level response"),
    (
        "full_on_sensitivity",
        "high_frequency_average",
        "Full-on sensitivity, high-frequency average",
    ),
    (
        "force_level_response",
        "setting_deviation",
        "Gain over the reference test setting",
    ),
    ("force_level_response", "range_to", "Frequency range, to"),
    ("harmonic_distortion", "total", "Total harmonic distortion"),
    ("input_output", "knee", "Knee"),
    ("input_output", "slope", "Slope above the knee"),
    ("attack_release", "attack", "Attack time"),
    ("attack_release", "release", "Release time"),
    ("feedback", "ripple.margin", "Gain margin, by the ripple"),
    (
        "feedback",
        "substitution.margin",
        "Gain margin, by substitution",
    ),
    ("feedback", "margin.loop_gain", "Loop gain"),
    ("directional", "front_to_back", "Front to back"),
    (
        "directional_at_once",
        "front_to_back",
        "Front to back, at once",
    ),
    ("noise_reduction", "noise_reduction", "Noise reduction"),
    ("audibility", "noise", "Own noise"),
    ("levels", "force.band_sum", "Force level, all bands"),
    ("levels", "microphone.band_sum", "Sound level, all bands"),
    ("feedback", "margin.gain_margin", "Gain margin"),
    ("feedback", "margin.loop_delay", "Loop delay"),
    ("feedback", "change.loop_delay", "Loop delay, by the pair"),
    ("directional", "broadband", "Front to back"),
    ("directional_at_once", "broadband", "Front to back, at once"),
    (
        "directional",
        "importance_weighted.mean",
        "Front to back, for speech",
    ),
    ("noise_reduction", "broadband", "Noise reduction"),
    (
        "noise_reduction",
        "importance_weighted.mean",
        "Noise reduction, for speech",
    ),
];

/// The name of a figure by its entry and its path in it; the path itself in words where
/// it has none.
pub(super) fn told(entry: &str, quantity: &str) -> String {
    let known = NAMES
        .iter()
        .find(|(of, path, _)| (*of, *path) == (entry, quantity));
    match known {
        Some((.., told)) => (*told).to_owned(),
        None => {
            super::capital(&format!("{entry}, {}", quantity.replace('.', ", ")).replace('_', " "))
        }
    }
}
