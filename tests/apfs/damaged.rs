//! What damage costs a container.
