"""What a set-up will give before a photo is taken: U95 of typical sizes and advice."""
