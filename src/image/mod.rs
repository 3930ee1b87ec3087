//! Where copied bytes go.
