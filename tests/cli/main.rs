//! The binary from outside: what it reads, what it says, how it ends.

mod bench_files;
mod calibrate;
mod commands;
mod compare;
mod deidentify;
mod ears;
#[cfg(all(feature = "pdf", feature = "xlsx"))]
mod exports;
mod mistakes;
mod odd_wavs;
mod own_data;
mod person;
mod plot;
mod reproduce;
mod schema;
mod wav_formats;
