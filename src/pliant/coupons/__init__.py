"""Coupons: small test pieces whose steps span the predicted limit of this user's feed path."""
