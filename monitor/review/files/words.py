"""Words of the trade in the heads of logs, in the languages that clamp meters and power loggers are sold in.

Plain words only; written without accents, as `names.tokens_of` leaves them. English, German, Spanish, French,
Portuguese, Italian, Dutch, Polish, Ukrainian, Russian.
"""

from __future__ import annotations


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


CURRENT = _set(
    "current currents amps amp ampere amperes amperage ampers strom stroeme strome stromstarke corriente corrientes "
    "intensidad amperios amperio amperaje courant intensite intensity corrente correntes intensidade "
    "amperagem stroom prad prady natezenie струм струми ток токи ампер сила"
)
VOLTAGE = _set(
    "voltage voltages volt volts spannung spannungen tension tensions voltaje voltajes tensao tensoes voltagem "
    "tensione spanning napiecie napiecia напруга напруги напряжение напряжения вольт"
)
TEMPERATURE = _set(
    "temperature temp temperatur temperatura temperaturas temperaturen temperature temperatuur температура темп "
    "lufttemperatur aussentemperatur umgebungstemperatur buitentemperatuur"
)
AMBIENT = _set(
    "ambient outside outdoor air ambiente umgebung aussen luft exterior exterieur exterieure ambiante ambiant externe "
    "ar aire buiten lucht otoczenia zewnetrzna powietrza esterna повітря повітряна зовнішня оточення воздух воздуха "
    "наружная weather lufttemperatur aussentemperatur umgebungstemperatur buitentemperatuur"
)
"""Of a temperature: the air's. One with other words beside it (oil, bearing, grain) is another temperature."""
TIME = _set(
    "time timestamp datetime zeit zeitstempel uhrzeit zeitpunkt hora horario tiempo heure temps horodatage horodate "
    "tempo ora tijd tijdstip czas godzina час время epoch unix unixtime utc clock stamp when recorded datetimeutc"
)
DATE = _set("date datum fecha data dia day jour giorno dag dzien дата день tag")
CALLED = _set("called call demand calling anforderung demanda demande richiesta vraag zadanie виклик запит")
NEUTRAL = _set("n neutral neutre neutro nulleiter neutralleiter nul нейтраль neutralny")
EARTH = _set("g pe ground earth erde tierra terre terra leakage residual")
LEG = _set(
    "l leg phase ph line linea ligne linha fase phases leiter aussenleiter strang faza fazy лінія фаза линия channel "
    "ch kanal canal kanaal канал клема conductor conducteur"
)
AVERAGE = _set(
    "avg average mean mittel mittelwert media medio promedio moyenne moyen moy gemiddelde gem srednia sr середнє "
    "середній среднее durchschnitt mw"
)
RMS = _set("rms trms eff effektiv effektivwert efficace eficaz")
LEAST = _set("min minimum minimal minimo mindest мін минимум minimalna")
MOST = _set("max maximum maximal maximo peak spitze spitzenwert pico pic crete maks макс максимум inrush hold")
OTHER = _set(
    "power kw kwh kva kvar watt watts w wh energy energie energia leistung wirkleistung potencia puissance potenza "
    "vermogen moc потужність мощность va var cos phi pf factor frequency freq frequenz frecuencia frequence hz thd "
    "thdi thdv harmonic harmonics angle winkel unbalance imbalance asymmetry unsymmetrie reactive apparent active "
    "setpoint limit limits alarm status state error count counter index number nr no num record records sample "
    "battery batterie crest scheitel ratio percent pct sum total summe gesamt totale suma сума deviation std stddev sd "
    "rotation sequence dc ripple humidity feuchte pressure druck"
)
"""What is about amps or volts but is none of a leg, or is about something else."""

UNITS: dict[str, tuple[str, float, float, float]] = {
    # unit: quantity, and (v + before) * times / by in A, V or degrees C
    "a": ("current", 0.0, 1.0, 1.0),
    "amp": ("current", 0.0, 1.0, 1.0),
    "amps": ("current", 0.0, 1.0, 1.0),
    "ampere": ("current", 0.0, 1.0, 1.0),
    "arms": ("current", 0.0, 1.0, 1.0),
    "aac": ("current", 0.0, 1.0, 1.0),
    "aca": ("current", 0.0, 1.0, 1.0),
    "a~": ("current", 0.0, 1.0, 1.0),
    "~a": ("current", 0.0, 1.0, 1.0),
    "а": ("current", 0.0, 1.0, 1.0),  # Cyrillic
    "ma": ("current", 0.0, 1.0, 1000.0),
    "мa": ("current", 0.0, 1.0, 1000.0),
    "ма": ("current", 0.0, 1.0, 1000.0),
    "milliamp": ("current", 0.0, 1.0, 1000.0),
    "milliamps": ("current", 0.0, 1.0, 1000.0),
    "maac": ("current", 0.0, 1.0, 1000.0),
    "ka": ("current", 0.0, 1000.0, 1.0),
    "v": ("voltage", 0.0, 1.0, 1.0),
    "volt": ("voltage", 0.0, 1.0, 1.0),
    "volts": ("voltage", 0.0, 1.0, 1.0),
    "vrms": ("voltage", 0.0, 1.0, 1.0),
    "vac": ("voltage", 0.0, 1.0, 1.0),
    "acv": ("voltage", 0.0, 1.0, 1.0),
    "v~": ("voltage", 0.0, 1.0, 1.0),
    "~v": ("voltage", 0.0, 1.0, 1.0),
    "в": ("voltage", 0.0, 1.0, 1.0),  # Cyrillic
    "mv": ("voltage", 0.0, 1.0, 1000.0),
    "kv": ("voltage", 0.0, 1000.0, 1.0),
    "кв": ("voltage", 0.0, 1000.0, 1.0),
    "c": ("temperature", 0.0, 1.0, 1.0),
    "°c": ("temperature", 0.0, 1.0, 1.0),
    "ºc": ("temperature", 0.0, 1.0, 1.0),
    "℃": ("temperature", 0.0, 1.0, 1.0),
    "cel": ("temperature", 0.0, 1.0, 1.0),
    "celsius": ("temperature", 0.0, 1.0, 1.0),
    "degc": ("temperature", 0.0, 1.0, 1.0),
    "deg c": ("temperature", 0.0, 1.0, 1.0),
    "f": ("temperature", -32.0, 5.0, 9.0),
    "°f": ("temperature", -32.0, 5.0, 9.0),
    "ºf": ("temperature", -32.0, 5.0, 9.0),
    "℉": ("temperature", -32.0, 5.0, 9.0),
    "fahrenheit": ("temperature", -32.0, 5.0, 9.0),
    "degf": ("temperature", -32.0, 5.0, 9.0),
    "deg f": ("temperature", -32.0, 5.0, 9.0),
    "k": ("temperature", -273.15, 1.0, 1.0),
}
OTHER_UNITS = _set(
    "w kw mw wh kwh va kva var kvar hz % ° deg rpm pa psi bar ohm mm in h min s ms kvarh kvah mwh °k a² h"
)

MISSING = (
    "- -- --- ---- ----- ------ -.- --.- --- -.-- --.-- ---.- ----.- --.--- . .. ... ? ?? n/a na #n/a #n/v #nv n.a. "
    "n.v. nan null none nil nul missing void inv invalid ungültig err error fault open blank nodata no-data x * ** *** "
    "**** bad #value! #wert! #div/0! #ref! lo low ur"
)
"""Words by which a cell says that it has no value."""
MISSING_PHRASES = ("no data", "no signal", "not available", "-nan", "+nan", "no value")
OVER = (
    "ol -ol +ol o.l o.l. ol. 0l 0.l .ol overload overrange over overflow ovl ovf ovr inf -inf +inf hi high >range "
    "infinity"
)
OVER_PHRASES = ("over range", "out of range", "over load", "range over", "o l", "ol a", "ol v", "ol ma")
"""Words by which a meter says that the value was more than it could show."""
ON = "on true yes run running start started ein an ja si sí oui sim tak так да aan wahr verdadero vrai marche marcha 1"
OFF = "off false no stop stopped aus nein non não nao nie ні нет uit falsch falso faux arret arrêt parada paro 0"

LANGUAGES: dict[str, frozenset[str]] = {
    "German": _set("strom spannung zeit uhrzeit datum zeitstempel temperatur leiter mittelwert umgebung luft aussen"),
    "Spanish": _set("corriente tension fecha hora voltaje intensidad promedio"),
    "French": _set("courant tension heure horodatage intensite moyenne temperature ambiante"),
    "Portuguese": _set("corrente tensao hora voltagem intensidade"),
    "Italian": _set("corrente tensione ora temperatura"),
    "Dutch": _set("stroom spanning tijd temperatuur gemiddelde"),
    "Polish": _set("prad napiecie czas temperatura"),
    "Ukrainian": _set("струм напруга час повітря температура середнє"),
    "Russian": _set("ток напряжение время воздуха"),
    "English": _set("current voltage time date amps volts timestamp average temperature ambient"),
}
DAY_FIRST_LANGUAGES = frozenset(LANGUAGES) - {"English"}
