"""A photo becomes a solved camera above the bench: upright picture, target corners, lens, pose and print scale."""
