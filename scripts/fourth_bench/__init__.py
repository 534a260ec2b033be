"""Grinder clips built from how a technician describes the sounds.

Nothing here integrates an equation of motion or a contact force. A growl is shaped
noise with an irregular swell, a tick is a short grain, a whine is a partial that
glides with the shaft; their rates, levels and times follow parametric speed curves.
Shared with the second bench: the words and the audibility scale, nothing else.
"""
