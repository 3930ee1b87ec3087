//! How a drive is divided: MBR with its extended chain, GPT, or one volume and no table; and the gaps between.
