"""Photos: reading, the mat under the piece, the frame over the mat, and the piece in it."""
