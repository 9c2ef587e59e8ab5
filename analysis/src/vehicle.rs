//! What is known of the car: the vehicle file (TOML), with every key optional but `name` and
//! `decoder`. Whatever needs a missing key reports it as missing by name.
