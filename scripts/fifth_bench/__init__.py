"""A fifth grinder, as a consultant in machine noise would write it down.

Forces at named places (windings, two bearings, cowl, chamber, burr plate, panels)
go through measured-like transfer paths of one dense set of random modes; air sound
goes beside them; a rotor with an equation of motion says how fast it all turns.
Sound machines differ as much as sound and faulty ones do: some whine, some hiss,
some tick, some buzz with a loose panel. Shares nothing with the product and with
the other benches but words and the severity scale.
"""
