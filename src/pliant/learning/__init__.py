"""Learning from readings: likelihood, posterior, and which coupon to print next."""
