//! A plan in forms that other programs follow.
