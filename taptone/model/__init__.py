"""What good laminate sounds like: learnt from known-good places, kept as plain JSON."""
