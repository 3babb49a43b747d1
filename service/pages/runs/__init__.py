"""What is written of runs: started, moved, put into parts, harvested, and the states between."""
