//! Inputs that once broke something, kept small.
