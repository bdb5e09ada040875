"""Encoders of finished sound, a family of formats each: samples go in, a closed and tagged file comes out."""
