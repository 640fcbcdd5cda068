"""Old ranks: what was measured, what the measures say of scale, pitch and temperament, and what is to be made anew."""
