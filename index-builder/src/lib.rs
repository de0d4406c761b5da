//! Catalogues in, star-index out.
