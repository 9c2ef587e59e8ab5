//! The causes that the diagnosis knows, with the next physical check of each: cheap and reversible
//! first, as a careful mechanic goes. Common practice, no source.

use serde::{Deserialize, Serialize};

macro_rules! causes {
    ($($variant:ident $text:literal $label:literal $check:literal;)*) => {
        /// What may be wrong.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Cause {
            $(#[doc = concat!($label, ".")] #[serde(rename = $text)] $variant,)*
        }

        impl Cause {
            /// Every cause, `healthy` last.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// Word in JSON and tables.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $(Self::$variant => $text),* }
            }

            /// As said to a person.
            #[must_use]
            pub fn label(self) -> &'static str {
                match self { $(Self::$variant => $label),* }
            }

            /// What to look at next.
            #[must_use]
            pub fn next_check(self) -> &'static str {
                match self { $(Self::$variant => $check),* }
            }
        }
    };
}

causes! {
    WeakPump "weak_pump" "weak pump"
        "Measure supply voltage at the pump's plug while it runs, then its earth. Good: look at fluid level and strainer. Good too: measure pump current and pressure by gauge. Let pressure and hot fluid go before you open anything.";
    LeakingPistonSeal "leaking_piston_seal" "leaking piston seal"
        "Look at the fluid level and for oil where it does not belong. Hold demand on the stand and watch pressure fall, cold and hot. Only then open the coupling; let pressure and hot fluid go first.";
    WornLining "worn_lining" "worn or glazed lining"
        "Check fluid: right grade, colour, smell, age. Change it and bed it in, then drive again. No better: open the coupling and measure the discs; let hot fluid and pressure go first.";
    ExcessClearance "excess_clearance" "too much clearance in the stack"
        "Bleed and run the coupling's own learning routine, then drive again. No better: measure the stack height against the maker's value, and correct it with plates.";
    DraggingPack "dragging_pack" "tight stack, dragging"
        "Feel the coupling's temperature after a few slow full circles; check that nothing is demanded then. Warm: measure stack height and release spring. Never run a raised car with only one axle free.";
    AeratedFluid "aerated_fluid" "low or aerated fluid"
        "Check the fluid level at the temperature that the maker states, then bleed. Look for a leak and for foam. Drive again before you take anything apart.";
    WarpedPlate "warped_plate" "warped plate"
        "Change the fluid first and drive again. No better: open the coupling and lay each plate on a flat stone with feeler gauges; blue spots show the heat.";
    Shudder "shudder" "shudder: spent or wrong fluid, or a worn lining"
        "Change the fluid for the right grade, with friction modifier if the maker states one, and bed it in with gentle engagements. Drive again before you look at the lining.";
    InhibitedOrWiring "inhibited_or_wiring" "wiring fault, or the control unit inhibits"
        "Read the trouble codes. Look at plugs, earths and the wire named in the evidence. Mend this first: until then nothing can be said of the clutch.";
    TyreMismatch "tyre_mismatch" "front and rear tyres differ"
        "Set all pressures cold. Then compare size, make and tread depth of all four tyres, and roll one turn with chalk marks.";
    Healthy "healthy" "healthy"
        "Nothing to repair. Keep these drives as the baseline of this car.";
}

impl Cause {
    /// The causes that are faults of the car, all but `healthy`.
    pub fn faults() -> impl Iterator<Item = Self> {
        Self::ALL.iter().copied().filter(|c| *c != Self::Healthy)
    }
}
