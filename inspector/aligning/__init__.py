"""Where a piece lies in a photo, against a reference: a move in the plane, then a warp of limited freedom."""
