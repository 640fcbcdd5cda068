"""What pages show: frozen views, each made by a pure function of the book's rows and the plan."""
