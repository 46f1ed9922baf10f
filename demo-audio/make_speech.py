"""Make speech.wav: dry synthetic speech, 24 kHz, 16-bit, mono, peak -6 dB re full scale.

    python make_speech.py [OUT.wav]        default: speech.wav beside this script

Needs the program espeak-ng and the packages of fixtures/reference/requirements.txt. The committed
file was made on 2026-11-25 with espeak-ng 1.51 (Debian package 1.51+dfsg-10+deb12u2), SciPy 1.17.1.
Another version of espeak-ng may speak a little differently: then the reference levels of the
speech in fixtures/reference/band_levels.csv have to be made again too.

Licence: espeak-ng is under GPL-3.0-or-later; what it says is ordinary output of the program and is
not covered by that licence. The sentences were written for this project and are, with the
recording, under the project's own licence (Apache-2.0 OR MIT). No person was recorded.
"""
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.io import wavfile
from scipy.signal import resample_poly

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "fixtures" / "reference"))
from signals import uniform  # noqa: E402

VOICE, WORDS_PER_MINUTE = "en-gb", 160
FS = 24000
PEAK = 0.5
DITHER_SEEDS = (11, 12)
SENTENCES = (
    "The kettle takes three minutes to boil.",
    "He left his blue coat on the chair.",
    "Could you close the window, please?",
    "Yellow leaves cover half of the path.",
    "We share a loaf of warm bread.",
    "My neighbour fixes clocks on Thursdays.",
    "Snow fell softly over the quiet valley.",
)


def spoken():
    """Samples as espeak-ng makes them (int16) and its sampling rate."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "raw.wav"
        command = ["espeak-ng", "-v", VOICE, "-s", str(WORDS_PER_MINUTE), "-w", str(path)]
        subprocess.run([*command, " ".join(SENTENCES)], check=True)
        fs, x = wavfile.read(path)
    return x / 32768.0, fs


def main(out=HERE / "speech.wav"):
    """Resample, scale and write.

    Triangular dither of two quantisation steps keeps the pauses from being exactly zero, so that
    low percentiles of the levels are finite and well defined.
    """
    x, fs = spoken()
    common = np.gcd(FS, fs)
    y = resample_poly(x, FS // common, fs // common)
    y *= PEAK / np.max(np.abs(y))
    dither = sum(uniform(seed, y.size) for seed in DITHER_SEEDS)
    wavfile.write(out, FS, np.round(y * 32768 + dither).astype(np.int16))


if __name__ == "__main__":
    main(*sys.argv[1:])
