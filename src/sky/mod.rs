//! The star-index as the solver sees it.
