"""A microphone that hears what is played to it: a PulseAudio sink whose monitor ALSA offers.

PortAudio on Linux reads ALSA; its ``pulse`` plugin (package libasound2-plugins) leads to the
monitor. Everything lives in a folder of its own: no sound service of the user is touched.
"""

import os
import shutil
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path

NEEDED = ("pulseaudio", "pactl", "paplay")


def why_not():
    """Why there can be no virtual microphone here, or None."""
    for name in NEEDED:
        if shutil.which(name) is None:
            return f"{name} is not installed"
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError) as error:
        return f"no PortAudio: {error}"
    if not list(Path("/usr/lib").glob("**/alsa-lib/libasound_module_pcm_pulse.so")):
        return "ALSA's pulse plugin is not installed"
    return None


@contextmanager
def virtual_microphone(folder, rate_hz=48_000):
    """Yield the environment for programs that are to hear, or play to, the microphone."""
    for name in ("run", "home"):
        (folder / name).mkdir(mode=0o700)
    config = folder / "alsa.conf"
    config.write_text(
        'pcm.heard { type pulse device "heard.monitor" hint { show on description "Heard" } }\n'
        'pcm.!default { type pulse device "heard.monitor" }\n'
    )
    socket = folder / "pulse"
    env = {
        **os.environ,
        "HOME": str(folder / "home"),
        "XDG_RUNTIME_DIR": str(folder / "run"),
        "PULSE_SERVER": f"unix:{socket}",
        "ALSA_CONFIG_PATH": str(config),
    }
    service = subprocess.Popen(
        [
            *("pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"),
            *("-L", f"module-native-protocol-unix auth-anonymous=1 socket={socket}"),
            *("-L", f"module-null-sink sink_name=heard rate={rate_hz} channels=1"),
        ],
        env={key: value for key, value in env.items() if key != "PULSE_SERVER"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        _wait_for_source(env)
        yield env
    finally:
        service.terminate()
        service.wait(10)


def _wait_for_source(env):
    for _ in range(100):
        shown = subprocess.run(
            ["pactl", "list", "short", "sources"], env=env, capture_output=True, text=True
        )
        if "heard.monitor" in shown.stdout:
            return
        time.sleep(0.1)
    raise AssertionError(f"the sound service did not start: {shown.stderr}")


def play(path, env):
    """Start to play a wav file to the microphone."""
    return subprocess.Popen(
        ["paplay", "--device=heard", str(path)],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
