"""A second, independent synthesiser of grinder clips, and the scores of a tool on them.

It shares no line with the product: other mechanisms, other spectra, other
rooms, other phones. What a tool gets right here it did not learn here.

names      the words of the trade, restated (a test holds them equal to the product's)
shaft      speed, shaft angle, mains phase and switch events against time
grains     building blocks: shaped noise, strikes, waveguides, angle patterns
machines   traits of a machine and its healthy sound
faults     the four faults, three mechanisms each
others     other faults, and the harmless squeal of the switch ring
audibility the severity scale
rooms      image-source rooms and what sounds in them
phones     microphone, gain, codec, file
mishaps    recording problems
plan       what each clip of a set shall be
clips      plan -> file and truth
score      truth and verdicts -> figures
cli        command line

Conventions: signals are float32, shape (n,); ``rate_hz`` in Hz; times in s from
the start of the clip; angles in turns; mains phase in cycles; a
``numpy.random.Generator`` is always passed in.
"""
