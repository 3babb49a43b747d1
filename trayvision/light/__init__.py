"""What the kit's white and black tell of light, shade, veil and sharpness."""
