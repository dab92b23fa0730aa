"""A deterministic simulation of whole runs: one seed gives one scenario, and the same scenario gives the same bytes.

    python -m tests.scenarios --runs 10000 --from-seed 0     many short runs, faults in swarm
    python -m tests.scenarios --seed 4711                    one of them, told in full
    python -m tests.scenarios --hours 600                    printing without a fault, over all kinds of heaters

`drawing` makes a `Scenario` of a seed: the heater, the printer's manners, the tower, and which kinds of faults are switched
on. `play` carries it out on a `Stage` (real engine, runner, window and command handling, in virtual time), over a `line` that
damages, loses, doubles and delays bytes. `invariants` then holds what the board really did against what must always hold;
`counts` tells which faults fired and which ways of recovery were gone.
"""
