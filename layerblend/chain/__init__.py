"""What each node of the graph does: thin lines from files and earlier results to the pure steps."""
