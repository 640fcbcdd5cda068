"""Layout: which blank lies where on which sheet, the sheets still to cast, and the proof that the plan holds."""
