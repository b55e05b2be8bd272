"""Histories that several rooms share."""

from filmdose.history import History, Pass, history_dose


def at_film(kerma_ugy):
    """A history whose one pass leaves an effective kerma at the film [uGy]."""

    def one(air_kerma_ugy):
        return History(passes=(Pass(source="cabin-ct", air_kerma_ugy=air_kerma_ugy, at="film", peak_to_mean=1.0),))

    return one(kerma_ugy / history_dose(one(1.0)).kerma_ugy) if kerma_ugy > 0.0 else History()
