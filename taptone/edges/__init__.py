"""Where the program meets the machine: sounds, microphone, panels, baselines, logs, pictures."""
