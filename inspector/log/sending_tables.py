"""The table of what browsers sent: a photo that is sent again because the answer was lost is told from a second one.

Rows are only ever added, in the transaction that logs the photo.
"""

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from inspector.log.tables import Base, PhotoRow

__all__ = ["SentPhotoRow"]


class SentPhotoRow(Base):
    """One photo that a browser sent, under the keys that the browser chose for it."""

    __tablename__ = "sent_photo"

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_key: Mapped[str] = mapped_column(unique=True)
    piece_key: Mapped[str] = mapped_column(index=True)
    """Shared by the photos that the browser took of one piece."""
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"), index=True)
    created_at: Mapped[datetime]

    photo: Mapped[PhotoRow] = relationship()
