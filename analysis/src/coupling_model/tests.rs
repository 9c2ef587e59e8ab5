//! The model against rises made by itself, sampled as a bus samples, and against rises that do not
//! tell what is asked.
