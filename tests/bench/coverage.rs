//! How often the stated 95 % intervals hold the truth, over thousands of simulated
//! sessions. `cargo bench --bench coverage` prints the shares and fails where one
//! lies outside 93.5 % to 96.5 %.

use std::process::ExitCode;

use micronewton::quantity::{Band, BandRange};
use sessions::{Stated, coverage};

#[path = "../property/sessions.rs"]
mod sessions;

const SESSIONS: usize = 4000;

fn main() -> ExitCode {
    let whole = Stated {
        transducer: 0.5,
        force_response: 0.3,
        remounting: 0.4,
        microphone: 0.3,
        microphone_response: 0.2,
    };
    let cases = [
        ("calibration and chance, 3 s", whole, 3.0),
        ("chance alone, 2 s", Stated::EXACT, 2.0),
        ("chance alone, 4 s", Stated::EXACT, 4.0),
    ];
    let mut kept = true;
    for (name, stated, seconds) in cases {
        println!("{name}: {SESSIONS} sessions, 200 Hz to 1 kHz");
        for (quantity, count) in coverage(stated, stated, range(), seconds, SESSIONS) {
            let percent = count.percent();
            let within = (93.5..=96.5).contains(&percent);
            kept &= within;
            let mark = if within {
                ""
            } else {
                "  outside 93.5 % to 96.5 %"
            };
            println!("  {quantity:15} {percent:.1} %{mark}");
        }
    }
    if kept {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn range() -> BandRange {
    BandRange::new(Band::named(200.0).unwrap(), Band::named(1000.0).unwrap()).unwrap()
}
