"""What samples mean: velocity, histograms, platform heights, stops, laps, and the pipeline that orders them."""
