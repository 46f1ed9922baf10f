//! Checks against the outside: standards, worked values, other programs. The
//! source stands beside each check. Every check has a companion that must fail,
//! so that it is known to bite.

mod band_filters;
mod band_levels;
mod calibrator_tone;
mod conformance;
mod data_sheet;
mod directional;
mod directional_at_once;
mod directivity;
mod equivalent_input_noise;
mod feedback;
mod group_statistics;
mod harmonic_distortion;
mod noise_reduction;
mod phase_inversion;
mod reference_values;
mod sensitivity;
mod signals;
mod speech_intelligibility;
mod speech_percentiles;
mod statistics;
mod time_weighting;
mod transfer;
