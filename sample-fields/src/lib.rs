//! Renderer.
