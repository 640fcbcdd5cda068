"""Planning: the main job, one pipeline over the six domain rooms."""
