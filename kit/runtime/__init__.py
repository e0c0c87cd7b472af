"""What every long run needs of the system: worker and kernel processes, signals, whole writes, locked folders."""
