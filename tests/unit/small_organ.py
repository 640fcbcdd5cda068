"""An organ of one small rank, for what is said of mistakes in its file."""

ORGAN = """
[organ]
name = "Chapel"

[[rank]]
name = "Octave 4"
division = "Great"
footage = "4'"
compass = "C-c1"
alloy = "spotted-50"
scale = { half_tones = -2 }
"""
