"""Forms of the door and of the people's pages; Flask-WTF guards each against forged requests."""

from flask_wtf import FlaskForm
from wtforms import (
    BooleanField,
    DateField,
    FloatField,
    HiddenField,
    PasswordField,
    RadioField,
    StringField,
    SubmitField,
    ValidationError,
)
from wtforms.validators import EqualTo, InputRequired, Length, Optional

from appliance.log.people import LONGEST_NICKNAME, PersonError, Role, checked_nickname, checked_pin

LONGEST_INPUT = 100  # characters; what is longer is nobody's nickname, PIN or code
FILLED = InputRequired("Fill this in.")
SHORT = Length(max=LONGEST_INPUT, message="This is too long.")
_DIGITS = {"inputmode": "numeric", "maxlength": "12"}
_NEW_PIN = {**_DIGITS, "autocomplete": "new-password"}
OLD_PIN = {**_DIGITS, "autocomplete": "current-password"}
_NICKNAME = {"maxlength": str(LONGEST_NICKNAME), "autocapitalize": "none", "spellcheck": "false"}


class Number(FloatField):  # type: ignore[misc]
    """A number, shown as people write it."""

    def _value(self) -> str:
        shown: str = super()._value()
        return shown if self.raw_data or self.data is None else f"{self.data:g}"


class _NewPin(FlaskForm):  # type: ignore[misc]
    """What it takes to choose a PIN."""

    new_pin = PasswordField(
        "New PIN, 6 to 12 digits", validators=[FILLED, SHORT], render_kw=_NEW_PIN
    )
    again = PasswordField(
        "The same PIN again",
        validators=[EqualTo("new_pin", "The two PINs are not the same.")],
        render_kw=_NEW_PIN,
    )

    def validate_new_pin(self, field: PasswordField) -> None:
        """Refuse a PIN that is short or easily guessed."""
        try:
            checked_pin(field.data)
        except PersonError as error:
            raise ValidationError(str(error)) from None


class _NewNickname(FlaskForm):  # type: ignore[misc]
    """What it takes to choose a nickname."""

    nickname = StringField(
        "Nickname, not your full name",
        validators=[FILLED, SHORT],
        render_kw={**_NICKNAME, "autocomplete": "username"},
    )

    def validate_nickname(self, field: StringField) -> None:
        """Refuse a nickname nobody could read or tell apart."""
        try:
            checked_nickname(field.data)
        except PersonError as error:
            raise ValidationError(str(error)) from None


class SignIn(FlaskForm):  # type: ignore[misc]
    """Nickname and PIN; one button also checks in."""

    nickname = StringField(
        "Nickname",
        validators=[FILLED, SHORT],
        render_kw={**_NICKNAME, "autocomplete": "username"},
    )
    pin = PasswordField("PIN", validators=[FILLED, SHORT], render_kw=OLD_PIN)
    next = HiddenField(validators=[Length(max=2000)])
    play = SubmitField("Check in: I play here now")
    look = SubmitField("Only look")


class Own(_NewNickname, _NewPin):
    """The one-time code makes an owner."""

    code = StringField(
        "Owner code",
        validators=[FILLED, SHORT],
        render_kw={"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"},
    )
    submit = SubmitField("Become the owner")


class Register(_NewNickname, _NewPin):
    """A player registers without anybody's help, where the owner allows it."""

    submit = SubmitField("Register")


class ChangePin(_NewPin):
    """The PIN of whoever is signed in."""

    pin = PasswordField("PIN until now", validators=[FILLED, SHORT], render_kw=OLD_PIN)
    submit = SubmitField("Change the PIN")


class CheckIn(FlaskForm):  # type: ignore[misc]
    """Check in, or ask first whether to take over."""

    sure = HiddenField(validators=[Length(max=3)])
    submit = SubmitField("Check in: I play here now")


class AddPerson(_NewNickname):
    """Somebody is added by owner or teacher; the first PIN is drawn by lot."""

    role = RadioField(
        "May do", choices=[(role.value, role.value) for role in Role], default=Role.PLAYER.value
    )
    submit = SubmitField("Add")


class SetRole(FlaskForm):  # type: ignore[misc]
    """What a person may do."""

    role = RadioField("May do", choices=[(role.value, role.value) for role in Role])
    submit = SubmitField("Set the role")


class Remove(FlaskForm):  # type: ignore[misc]
    """Somebody is removed, and asked about twice."""

    sure = BooleanField(validators=[InputRequired("Tick this, if it is meant.")])
    submit = SubmitField("Remove")


class SetConsent(FlaskForm):  # type: ignore[misc]
    """When a guardian consented."""

    consent_on = DateField("Guardian's consent, date", validators=[Optional()])
    submit = SubmitField("Set the date")
