"""Layout: placing blanks where the metal has the thickness they want; solver, lower bound and an independent verifier."""
