"""Taps from first principles: laws of plates, the blow of a hammer, the sound that reaches a microphone."""
