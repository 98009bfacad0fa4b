"""Where the program meets the machine: sound files, the microphone, panel and baseline files, logs, pictures."""
