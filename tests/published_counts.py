"""Published counts that fits are held against."""

import numpy as np

# Bliss 1935, beetles after five hours of carbon disulphide: log10 dose, beetles, killed (as in Dobson, Introduction to
# Generalized Linear Models; from memory, its fits reproduced).
BEETLE_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLES = np.array([59, 60, 62, 56, 63, 59, 62, 60])
BEETLES_KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])

# Tarone 1982, tumours in rats, with the current experiment (4 of 14) last: Gelman et al., Bayesian Data Analysis,
# table 5.1 (from memory; 267 of 1739 in all, as there).
RAT_TUMOURS = [
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 2, 1, 5, 2, 5, 3, 2, 7, 7,
    3, 3, 2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4,
]  # fmt: skip
RATS = [
    20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23, 20, 20, 20,
    20, 20, 20, 10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50, 20, 20, 20, 20, 20, 20, 20, 48, 19, 19, 19, 22,
    46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14,
]  # fmt: skip
