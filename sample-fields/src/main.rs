//! Renderer.
fn main() {}
