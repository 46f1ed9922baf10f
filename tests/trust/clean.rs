//! Captures in which nothing is amiss.

use micronewton::trust::State;

use super::Bench;

const STIMULI: [&str; 8] = [
    "pink",
    "white",
    "speech_noise",
    "tone\", frequency_hz = 1000.0, x = \"",
    "stepped_tones",
    "sweep\", length_s = 4.0, highest_hz = 7900.0, x = \"",
    "interleaved_tones",
    "tone\", frequency_hz = 250.0, x = \"",
];

/// Twenty captures of one bench; everything that may vary does.
fn scenario(number: usize) -> String {
    let pick = |from: &[f64], by: usize| from[(number * 7 + by) % from.len()];
    let mut text = format!(
        "schema = 1\nseed = {number}\nrate_hz = {}\n\
         [session]\ncode = \"clean\"\ndate = \"2026-03-12\"\nbox = \"closed\"\n\
         [recorder]\nbits = {}\nnoise_db_fs = {}\n\
         [room]\nnoise_db_spl = 35.0\n\
         [microphone]\necho = {}\nstated_error_db = {}\n\
         [device]\nprocessing_delay_s = {}\ngain_db = [[250, 25], [1000, {}], [4000, 30]]\n\
         [device.limiter]\nceiling_db = {}\n\
         [device.noise]\ninput_db_spl = {}\n\
         [device.compression]\nratio = [{}]\n\
         [feedback.cable]\nmargin_db = 12.0\nresonance = [{{ frequency_hz = 2900.0, q = 8.0 }}]\n",
        pick(&[16_000.0, 24_000.0], 0),
        pick(&[16.0, 24.0], 1),
        pick(&[-100.0, -95.0, -110.0], 2),
        pick(&[0.0, 0.5], 1),
        pick(&[-1.0, 0.0, 1.0], 1),
        pick(&[0.004, 0.006, 0.008], 0),
        pick(&[28.0, 34.0, 38.0], 2),
        pick(&[104.0, 112.0, 118.0], 1),
        pick(&[20.0, 26.0], 1),
        pick(&[1.0, 1.5, 2.0], 1),
    );
    let capture = |name: &str, role: &str, more: &str| {
        format!("[[capture]]\nname = \"{name}\"\nrole = \"{role}\"\nduration_s = 4.0\n{more}\n")
    };
    text += &capture("room", "room_noise", "device_on = false");
    text += &capture("still", "equivalent_input_noise", "");
    let pink = "stimulus = { kind = \"pink\" }\nlevel_db_spl = 66";
    text += &capture("earlier", "earlier", pink);
    let now = format!("{pink}\nmicrophone_distance_m = 0.003");
    text += &capture("now", "front", &now);
    for index in 0..16 {
        // The bands do not hold all of white noise, and interleaved tones come
        // from two sides: their level is not that of the bands.
        let role = match STIMULI[index % STIMULI.len()] {
            "white" | "interleaved_tones" => "general",
            _ => ["output_force_level", "sensitivity", "noise_reduction_off"][index % 3],
        };
        let level = 60 + 5 * (index % 6);
        let stimulus = STIMULI[index % STIMULI.len()];
        let stimulus = match stimulus.split_once(", x = ") {
            Some((known, _)) => format!("{{ kind = \"{known} }}"),
            None => format!("{{ kind = \"{stimulus}\" }}"),
        };
        let direction = 45 * (index % 8);
        let more = format!(
            "stimulus = {stimulus}\nlevel_db_spl = {level}\ndirection_deg = {direction}\n\
             directional = {}\nnoise_reduction = {}",
            index % 4 == 1,
            index % 5 == 2
        );
        text += &capture(&format!("c{index}"), role, &more);
    }
    text
}

fn alarms(scenario: &str) -> (usize, Vec<String>) {
    let record = Bench::new(scenario).record();
    let doubtful = record
        .checks
        .iter()
        .filter(|c| c.found.state >= State::Doubtful);
    let told = doubtful.map(|c| format!("{:?} {}: {}", c.check, c.capture, c.found.finding));
    (record.captures.len(), told.collect())
}

#[test]
fn two_hundred_clean_captures_raise_no_check() {
    let mut captures = 0;
    let mut raised = Vec::new();
    for number in 0..10 {
        let (count, alarms) = alarms(&scenario(number));
        captures += count;
        raised.extend(
            alarms
                .into_iter()
                .map(|alarm| format!("bench {number}: {alarm}")),
        );
    }
    assert!(captures >= 200, "{captures}");
    assert!(raised.is_empty(), "{raised:#?}");
}

#[test]
fn a_minute_of_speech_raises_no_check() {
    let (_, raised) = alarms(
        "schema = 1\nrate_hz = 24000\n[session]\nbox = \"closed\"\n[[capture]]\nname = \"speech\"\n\
         role = \"speech\"\nduration_s = 50.0\nlevel_db_spl = 65\n\
         stimulus = { kind = \"speech\", file = \"speech.wav\" }\n",
    );
    assert!(raised.is_empty(), "{raised:#?}");
}
