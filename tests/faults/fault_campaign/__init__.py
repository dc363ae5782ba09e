"""A fault campaign: the daemon as a process, real parts around it, and what can go wrong with them.

Sites publish numbered reports without a pause while faults are planted, drawn by a seed. After each fault
the daemon has to be back at work without a hand within a stated time, and the operator has to have been told.
What the broker accepted has to be stored once, each alarm change to be told once on each channel, in order
for each alarm, and the alarm history to be that of a replay of the stored readings.

    cd tests/faults && PYTHONPATH=../../service:../support:. python -m fault_campaign --seed 7 --faults 200
"""
