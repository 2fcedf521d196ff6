//! What N frames have shown.
