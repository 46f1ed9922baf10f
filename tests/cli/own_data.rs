//! A device on the bench, a data sheet, the report.

use crate::bench_files::{Folder, stderr};

const SCENARIO: &str = "\
schema = 1
rate_hz = 24000
[recorder]
bits = 24
full_scale_v = 0.5
[room]
noise_db_spl = 20.0
box_attenuation_db = 0.0
[device.transducer]
resonance_hz = 800.0
resonance_q = 2.0
[device.compression]
ratio = [2.0]
knee_db_spl = [62.0]
[[capture]]
name = \"output\"
role = \"output_force_level\"
duration_s = 3.0
stimulus = { kind = \"stepped_tones\", frequencies_hz = [1000, 1600, 2500, 4000] }
level_db_spl = 90.0
start_s = 0.5
stop_s = 2.5
from_s = 0.0
[[capture]]
name = \"response\"
role = \"force_level_response\"
duration_s = 3.0
stimulus = { kind = \"stepped_tones\", frequencies_hz = [1000, 1600, 2500, 4000] }
level_db_spl = 60.0
start_s = 0.5
stop_s = 2.5
from_s = 0.0
[[capture]]
name = \"stairs\"
role = \"input_output\"
duration_s = 4.5
stimulus = { kind = \"staircase\", frequency_hz = 2000.0, levels_db_spl = [50, 55, 60, 70, 80, 90], step_s = 0.6 }
start_s = 0.5
from_s = 0.0
[[capture]]
name = \"noise\"
role = \"sensitivity\"
duration_s = 8.0
stimulus = { kind = \"pink\" }
level_db_spl = 60.0
from_s = 1.0
[[capture]]
name = \"front\"
role = \"front\"
duration_s = 6.0
stimulus = { kind = \"pink\" }
level_db_spl = 60.0
from_s = 1.0
[[capture]]
name = \"back\"
role = \"back\"
duration_s = 6.0
direction_deg = 180.0
stimulus = { kind = \"pink\" }
level_db_spl = 60.0
from_s = 1.0
";

/// The device has 30 dB of gain, and 0.8 dB more at 2.5 kHz by its resonance (0.2 dB
/// at 5 times 800 Hz): figures of a second-order high-pass, Q 2.
const SHEET: &str = "\
quantity,frequency_hz,nominal,tolerance_minus,tolerance_plus,unit
force_level_response sensitivity,4000,30.4,1,1,dB
output_force_level force,4000,106.4,1,1,dB
output_force_level force,1600,90,3,3,dB
output_force_level force,8000,90,3,3,dB
input_output knee,2000,62,1,1,dB
input_output slope,2000,0.5,0.02,0.02,1
sensitivity sensitivity,4000,30.4,1,1,dB
directional front_to_back,1000,0,60,60,dB
levels force.leq,1000,80,1,1,dB
";

#[test]
fn every_line_of_a_data_sheet_gets_its_verdict_in_record_and_report() {
    let folder = Folder::new();
    folder.text("scenario.toml", SCENARIO);
    folder.text("sheet.csv", SHEET);
    let rendered = folder.run(&["bench", "scenario.toml", "--out", "."]);
    assert!(rendered.status.success(), "{}", stderr(&rendered));
    let session = std::fs::read_to_string(folder.path("session.toml")).unwrap();
    let device = "[device]\ncode = \"D-1\"\ndata_sheet = \"sheet.csv\"\n\n[[capture]]";
    folder.text("session.toml", &session.replacen("[[capture]]", device, 1));
    let arguments = [
        "analyse",
        "session.toml",
        "--out",
        "record.json",
        "--out",
        "report.html",
        "--strict",
    ];
    let analysed = folder.run(&arguments);
    // A line outside its limits.
    assert_eq!(analysed.status.code(), Some(1), "{}", stderr(&analysed));
    let text = std::fs::read_to_string(folder.path("record.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    let assessments = record["assessments"].as_array().unwrap();
    let named = |name: &str| assessments.iter().find(|a| a["entry"] == name).unwrap();
    let lines = named("data_sheet")["lines"].as_array().unwrap();
    let verdicts: Vec<&str> = lines
        .iter()
        .map(|l| l["verdict"].as_str().unwrap())
        .collect();
    assert_eq!(
        verdicts,
        [
            "within",
            "within",
            "outside",
            "not_measurable",
            "within",
            "within",
            "within",
            "within",
            "not_measurable",
        ],
        "{lines:#?}"
    );
    // A figure of a pair names both recordings.
    assert_eq!(lines[7]["capture"], "back, front");
    let why = |line: usize| lines[line]["measured"]["reason"].as_str().unwrap();
    assert!(why(3).contains("frequency"), "{}", why(3));
    assert!(why(8).contains("name one in the column"), "{}", why(8));
    // Noise and tones at 60 dB SPL: the noise has less in each band, and stays below the
    // knee where the tone does, too.
    for band in named("method_difference")["bands"].as_array().unwrap() {
        let db = band["difference"]["value"].as_f64().unwrap();
        assert!(db.abs() < 0.5, "{band}");
    }
    let page = std::fs::read_to_string(folder.path("report.html")).unwrap();
    for told in [
        "Is the device within its own data?",
        "Data sheet, highest",
        "Input/output curve at 2.00",
        "Sensitivity with tones",
    ] {
        assert!(page.contains(told), "{told}");
    }
}
