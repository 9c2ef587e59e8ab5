//! The moves that make signals easy to find, and how to make them safely.

/// What `find --guide` prints.
pub(super) const GUIDE: &str = "\
A drive that makes signals easy to find

Before you start
  - Two people: one drives, the passenger works the laptop and calls the moves. The driver never looks
    at the laptop.
  - A closed or quiet road or an empty yard, dry, within the law. Belts on, nobody in the way.
  - Record everything from before the engine starts: slipwright record can0 --out drives --gnss gpsd
    (a satellite receiver gives the reference speed; without one, a speed file or OBD-II answers).
  - Set a mark at the moment a move begins: slipwright mark \"brake pedal\"
    The words accelerator, brake, steering, gear, launch, left and right are understood.
  - The recorder only listens.

Standing, parking brake on, gearbox in neutral or park, in the open air
  1. Ignition on, engine off, ten seconds of nothing.                 mark \"rest\"
  2. Engine off: press the accelerator to the floor and let go, three times, slowly.
                                                                       mark \"accelerator\"
  3. Engine off: press the brake three times, hard and soft.           mark \"brake\"
  4. Start the engine, let it idle for half a minute.                  mark \"idle\"
  5. Turn the steering from lock to lock, once each way, slowly.       mark \"steering\"
  6. Foot on the brake: move the gear lever through its positions.     mark \"gear\"

Driving, five minutes or more
  7. Start from a standstill and stop again, gently, three times: it sets the code of 0 km/h.
  8. The first turn is a known one: call it when it begins.            mark \"left\" or \"right\"
  9. Two slow, tight turns each way at walking pace, foot off the accelerator: the rear axle cuts the
     corner and the wheels tell front from rear, left from right.
 10. Every speed that the road allows, up and down, without haste.
 11. Roll in neutral or off the accelerator, straight on, for ten seconds, twice.
 12. Three brisk launches from a standstill, straight, where nobody can be hurt.
                                                                       mark \"launch\"
 13. Brake firmly from town speed, once, with nothing behind you.      mark \"brake\"
 14. Stand for ten seconds and stop recording.

If the car is raised
  - Only with all four wheels free and properly supported on stands made for it, on firm level ground,
    with wheels clear of everything. Never run a raised car with only one axle free: the coupling will
    drive it off its stands.
  - Nobody near the wheels, nobody under the car, engine off before anyone goes near.
  - Idle speed only, and no launches. A raised car tells wheel speeds and pedals, not turns or pressure
    under load.

Then: slipwright find drives/*/*.pcapng* --marks --out decoder.toml
Let hot fluid cool and pressure go before opening anything. The vehicle maker's procedure, local rules
and licensed practice come first.
";
