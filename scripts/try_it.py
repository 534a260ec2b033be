"""Install quietrun into ``.venv`` and judge one of the clips that come with it.

    python3 scripts/try_it.py

Standard library only. Exits 0 when the answer is the one that the clip was
made for.
"""

from __future__ import annotations

import json
import subprocess
import sys

import checkout

FOLDER = checkout.ROOT / "synthetic_audio"
MANIFEST = FOLDER / "manifest.json"


def shipped(wanted: str) -> tuple[str, str]:
    """Path of a shipped clip and the verdict that it was made for."""
    clips = json.loads(MANIFEST.read_text(encoding="utf-8"))["clips"]
    clip = next((clip for clip in clips if clip["verdict"] == wanted), clips[0])
    return str(FOLDER / clip["file"]), clip["verdict"]


def judged(python: str, clip: str) -> str:
    """Verdict of ``quietrun check``, whose text goes to the terminal."""
    command = [python, "-m", "quietrun", "check", clip]
    checkout.say("\n$ quietrun check " + clip + "\n")
    subprocess.run(command, check=False)
    done = subprocess.run([*command, "--json"], capture_output=True, text=True)
    try:
        return str(json.loads(done.stdout)["verdict"])
    except (ValueError, KeyError):
        return f"no answer ({done.stderr.strip()})"


def main() -> int:
    """Install, judge, compare."""
    python = str(checkout.ready())
    clip, expected = shipped("noisy")
    word = judged(python, clip)
    if word != expected:
        checkout.say(f"\nThis clip was made to be {expected}, but the answer is {word}.")
        return 1
    checkout.say(f"\nThis clip was made to be {expected}: the answer is right. Next, your own:")
    checkout.say(f"  {python} -m quietrun check YOUR_CLIP")
    return 0


if __name__ == "__main__":
    sys.exit(main())
