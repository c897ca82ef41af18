"""What was seen, turned into places in millimetres with their covariance."""
