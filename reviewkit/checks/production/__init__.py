"""Production: time, material, copies, cost and yield, and whether to print the part at all."""
