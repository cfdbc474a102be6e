"""What differs between an aligned photo and good pieces: outline, relief, roughness, dark lines."""
