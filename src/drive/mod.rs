//! What a drive is like: reads and their times come in; a model, the bands of a bad head, or a simulated drive that fails come out.

pub mod heads;
pub mod model;
pub mod sick;
