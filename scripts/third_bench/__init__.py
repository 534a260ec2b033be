"""A third sound model: lumped mechanics integrated in time, apart from the product.

Forces first, sound last. The rotor is integrated from its torque curve; surfaces are
random profiles read out against angle; gaps open and close; every force then passes a
bank of random modes (rotor, housing, shell, burrs), a room and a phone. Nothing here is
shared with ``src/quietrun`` or with the sources of ``second_bench``; only its words and
its severity scale are imported, since they are part of the agreement on truth.
"""
