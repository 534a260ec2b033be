"""synth."""
