"""What speaks for a curve beside the yields: counts of symptoms, and signs of the loss."""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np

from vinemap.decline.courses import FloatArray, IntArray


class Evidence(ABC):
    """Log likelihood of candidate curves by something seen beside the yields.

    Attributes
    ----------
    when : int array
        Columns of the yearly axis at which curves are needed; after `place_in` positions in the columns kept.
    """

    when: IntArray

    def columns(self) -> IntArray:
        """Give the columns of the yearly axis at which curves are needed, each once.

        Returns
        -------
        int array (W,)
        """
        return np.unique(self.when)

    def place_in(self, columns: IntArray) -> None:
        """Take curves from now on at some columns only.

        Parameters
        ----------
        columns : int array (W,)
            Rising; they hold all of `columns()`.
        """
        self.when = np.searchsorted(columns, self.when)

    @abstractmethod
    def weigh(self, candidates: FloatArray, owner: IntArray, rest: FloatArray, fit: FloatArray) -> None:
        """Add the log likelihood of candidates to `fit`.

        Parameters
        ----------
        candidates : float array (n, J, W)
            Log of the share kept by J candidates for each of n owners (series, blocks or the estate).
        owner : int array (series,)
            Which of the n a series belongs to.
        rest : float array (series, W)
            Log kept by the other curves of the series.
        fit : float array (n, J)
            Altered.
        """
