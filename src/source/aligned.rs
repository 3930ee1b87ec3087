//! Memory that direct I/O accepts.

/// A zeroed buffer that starts on a 4096-byte boundary, as direct I/O asks of a buffer whatever the device's sectors.
pub struct AlignedBuffer {
    memory: Vec<u8>,
    lead: usize,
    len: usize,
}

impl AlignedBuffer {
    const ALIGNMENT: usize = 4096;

    /// A buffer of `len` bytes.
    pub fn new(len: usize) -> AlignedBuffer {
        let memory = vec![0; len + Self::ALIGNMENT];
        let lead = memory.as_ptr().align_offset(Self::ALIGNMENT).min(Self::ALIGNMENT);
        AlignedBuffer { memory, lead, len }
    }

    /// The bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.memory[self.lead..self.lead + self.len]
    }

    /// The bytes, to be filled.
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        &mut self.memory[self.lead..self.lead + self.len]
    }
}
