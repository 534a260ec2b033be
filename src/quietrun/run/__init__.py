"""What happened: phases, speed, switch events, coast-down."""

from quietrun.run.follow import follow
from quietrun.run.types import CoastDown, Run, SpeedTrack, SwitchEvent

__all__ = ["CoastDown", "Run", "SpeedTrack", "SwitchEvent", "follow"]
