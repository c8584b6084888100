"""What a thousand kilometres cost: the same chains above and below the line, by hand, to the cent."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from rules.rulebook import default_rulebook
from rules.units import SI, said
from rules.vocabulary import Regime, Supply, SupplyId, SupplyKind
from rules.wear.cost import Prices, _lives_km, cost, pay_back, reckon, used_share
from rules.wear.forecast import Refusal, forecast
from rules.wear.posterior import DRAWS
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-12-01")
WAXED, LUBE = Regime.WAXED, Regime.WET_LUBE


def by_hand(text, regime, ridden, shares, lives=None, *, prices=None):
    """The sums when what was ridden and how much of a life that was are given; shares None: by the lives."""
    ledger = ledger_of(text)
    names = {one.name: one.id for one in ledger.chains}
    km = {names[name]: value for name, value in ridden.items()}
    life = {one: np.full(DRAWS, 5000.0) for one in names.values()}
    life |= {names[name]: np.resize(value, DRAWS) for name, value in (lives or {}).items()}
    if shares is None:
        used = {one: used_share(ledger, ledger.chain(one), km[one], life[one], NOW) for one in km}
    else:
        used = {names[name]: np.full(DRAWS, value) for name, value in shares.items()}
    return reckon(ledger, RULEBOOK, regime, km, used, life, now=NOW, prices=prices or Prices())


# One row each: what the ledger says, what was ridden [km], shares of life, and 1000 km worked by hand.
LEDGERS = {
    "two waxed chains, half and three tenths used": (
        "chain W1  price 40\nchain W2  price 40",
        ({"W1": 3000.0, "W2": 2000.0}, {"W1": 0.5, "W2": 0.3}),
        (6.40, 0.0, 0.0),  # (20 + 12) / 5
    ),
    "one retired worn": ("chain W1  price 40", ({"W1": 2500.0}, {"W1": 1.0}), (16.00, 0.0, 0.0)),
    "a chain without a price adds no distance to chain money": (
        "chain W1  price 40\nchain W2",
        ({"W1": 2000.0, "W2": 8000.0}, {"W1": 0.5, "W2": 0.9}),
        (10.00, 0.0, 0.0),
    ),
    "treatments over all that was ridden": (
        "chain W1  price 40\n2025-01-02  immersed  W1  cost 3  minutes 40\n"
        "2025-02-01  dripped  W1  cost 0.5  minutes 10",
        ({"W1": 4000.0}, {"W1": 0.4}),
        (4.00, 0.875, 12.5),
    ),
    "a treatment still to come costs nothing yet": (
        "chain W1  price 40\n2025-12-24  immersed  W1  cost 3  minutes 40",
        ({"W1": 4000.0}, {"W1": 0.4}),
        (4.00, 0.0, 0.0),
    ),
    "care of a chain without a price counts": (
        "chain W1\n2025-01-02  immersed  W1  cost 6  minutes 30",
        ({"W1": 3000.0}, {"W1": 0.5}),
        (None, 2.00, 10.0),
    ),
    "a dear chain ridden little beside a cheap one ridden much": (
        "chain W1  price 90\nchain W2  price 15",
        ({"W1": 500.0, "W2": 4500.0}, {"W1": 0.1, "W2": 1.0}),
        (4.80, 0.0, 0.0),  # (9 + 15) / 5
    ),
    "a spare in its box": (
        "chain W1  price 40\nchain W2  price 40",
        ({"W1": 2000.0}, {"W1": 0.5}),
        (10.0, 0.0, 0.0),
    ),
    "a chain that cost nothing": ("chain W1  price 0", ({"W1": 1000.0}, {"W1": 0.5}), (0.0, 0.0, 0.0)),
    "three at once": (
        "chain W1  price 30\nchain W2  price 45\nchain W3  price 60",
        ({"W1": 1000.0, "W2": 2000.0, "W3": 3000.0}, {"W1": 0.2, "W2": 0.4, "W3": 0.6}),
        (10.00, 0.0, 0.0),  # (6 + 18 + 36) / 6
    ),
    "minutes without money": (
        "chain W1  price 40\n2025-01-02  dripped  W1  minutes 9\n2025-01-09  dripped  W1  minutes 9",
        ({"W1": 600.0}, {"W1": 0.1}),
        (6.666666667, 0.0, 30.0),
    ),
    "nothing ridden": ("chain W1  price 40", ({"W1": 0.0}, {}), (None, None, None)),
}


@pytest.mark.parametrize("name", LEDGERS)
def test_money_by_hand(name):
    text, (ridden, shares), (chain, care, minutes) = LEDGERS[name]
    found = by_hand(text, WAXED, ridden, shares)
    if chain is None:
        assert found.chain_per_1000_km is None
        assert found.together_per_1000_km is None
    else:
        assert found.chain_per_1000_km == pytest.approx((chain,) * 3, abs=0.005)
        assert found.together_per_1000_km == pytest.approx((chain + care,) * 3, abs=0.005)
    if care is None:
        assert (found.care_per_1000_km, found.minutes_per_1000_km) == (None, None)
    else:
        assert found.care_per_1000_km == pytest.approx(care, abs=0.005)
        assert found.minutes_per_1000_km == pytest.approx(minutes, abs=0.005)


# As above, but how much of a life was used follows from lives [km]; a cassette costs 90. Last stands what
# 1000 km cost for the chain, the cassette, care, and all together: low, middle and high where they differ.
READ_AT_01 = "2025-02-01  measured  W1  0.1"
WIDE = (2000.0, 2000.0, 8000.0, 8000.0, 8000.0)  # of a forecast too wide to show: two draws in five, three
BY_LIVES = {
    "a cassette that outlives three chains changed at 0.5 %": (
        "chain W1  12-speed  price 40",
        ({"W1": 4000.0}, {"W1": 5000.0}),
        (8.00, 6.00, 0.0, 14.00),  # 40 x 4/5 = 32, / 4; a third of 90 for each 5000 km: 30 / 5
    ),
    "a cassette that outlives two chains changed at 0.75 %": (
        "chain W1  10-speed  price 40",
        ({"W1": 4000.0}, {"W1": 5000.0}),
        (8.00, 9.00, 0.0, 17.00),  # half of 90 for each 5000 km: 45 / 5
    ),
    "a cassette is worn by the chain without a price too": (
        "chain W1  12-speed  price 40\nchain W2  12-speed",
        ({"W1": 2000.0, "W2": 3000.0}, {"W1": 4000.0, "W2": 6000.0}),
        (10.00, 6.00, 0.0, 16.00),  # 20 / 2; cassettes (1/2 + 1/2) / 3 = 1/3, 30 money over 5
    ),
    "an unworn chain that was retired keeps what it had left": (
        f"chain W1  12-speed  price 40\n{READ_AT_01}\n2025-11-01  retired  W1",
        ({"W1": 1000.0}, {"W1": 4000.0}),
        (10.00, 7.50, 0.0, 17.50),  # a quarter of 40, not 40; 30 / 4
    ),
    "one retired from eight tenths on had given what it had": (
        f"chain W1  12-speed  price 40\n{READ_AT_01}\n2025-11-01  retired  W1",
        ({"W1": 3200.0}, {"W1": 4000.0}),
        (12.50, 7.50, 0.0, 20.00),  # 40 / 3.2
    ),
    "one retired unmeasured is taken to have been worn": (
        "chain W1  12-speed  price 40\n2025-11-01  retired  W1",
        ({"W1": 1000.0}, {"W1": 4000.0}),
        (40.00, 7.50, 0.0, 47.50),
    ),
    "ridden beyond its life it costs its price, and wears the cassette on": (
        "chain W1  12-speed  price 40",
        ({"W1": 5000.0}, {"W1": 4000.0}),
        (8.00, 7.50, 0.0, 15.50),  # 40 / 5; 5/4 of a third of 90 is 37.50, / 5
    ),
    "a chain whose forecast is refused stands above and below the line": (
        "chain W1  12-speed  price 40\nchain W2  12-speed  price 40\n"
        "2025-01-02  immersed  W2  cost 4  minutes 25",
        ({"W1": 3000.0, "W2": 2000.0}, {"W1": 6000.0, "W2": WIDE}),
        # W1 20; W2 40 where its life is 2000, 10 where 8000: (20 + 10) / 5 and (20 + 40) / 5. Its money left
        # out but its distance in, it would be 4.00. Cassettes 1/2 + 1/4 or 1/2 + 1, a third of 90 each, / 5.
        ((6.00, 6.00, 12.00), (4.50, 4.50, 9.00), 0.80, (11.30, 11.30, 21.80)),
    ),
}


@pytest.mark.parametrize("name", BY_LIVES)
def test_money_by_hand_where_lives_are_given(name):
    text, (ridden, lives), (chain, cassette, care, together) = BY_LIVES[name]
    found = by_hand(text, WAXED, ridden, None, lives, prices=Prices("EUR", cassette=90.0))
    for told, worked in (
        (found.chain_per_1000_km, chain),
        (found.cassette_per_1000_km, cassette),
        (found.together_per_1000_km, together),
    ):
        assert told == pytest.approx(worked if isinstance(worked, tuple) else (worked,) * 3, abs=0.005)
    assert found.care_per_1000_km == pytest.approx(care, abs=0.005)


def test_a_chain_nobody_measured_is_refused_a_forecast_and_stands_on_both_sides_all_the_same():
    ledger = ledger_of(chain("W0", 0.0015, price=60) + chain("W1", 0.0, readings=0, price=50))
    measured_one, refused = ledger.chains
    assert isinstance(forecast(ledger, RULEBOOK, refused.id, now=NOW), Refusal)
    found = cost(ledger, RULEBOOK, WAXED, now=NOW)
    assert found.distance_km == pytest.approx(2 * 4500.0)  # 60 rides of 3 h at 25 km/h each
    lives = [_lives_km(ledger, RULEBOOK, NOW)[one.id] for one in (measured_one, refused)]
    shares = [np.where(life > 4500.0, 4500.0 / life, 1.0) for life in lives]  # it may have come worn
    money = 60.0 * shares[0] + 50.0 * shares[1]
    assert found.chain_per_1000_km == pytest.approx(np.quantile(money / 9.0, (0.1, 0.5, 0.9)))


def test_an_uncertain_life_costs_the_mean_of_its_shares_and_not_the_share_at_its_mean():
    # life ln-N(ln 6000, .4), 3000 km: the mean share is .533 (worked elsewhere), not .5
    ledger = ledger_of("chain W1  price 40")
    life = 6000.0 * np.exp(0.4 * np.random.default_rng(1).standard_normal(200_000))
    share = used_share(ledger, ledger.chains[0], 3000.0, life, NOW)
    assert float(share.mean()) == pytest.approx(0.533, abs=0.003)


def test_care_with_no_cost_noted_costs_what_it_took_of_the_bottle():
    text = (
        "chain W1  price 40\n2025-01-02  dripped  W1  minutes 9\n2025-01-09  dripped  W1  cost 2  minutes 9"
    )
    bottle = Supply(SupplyId(1), SupplyKind.DRIP_WAX, 120.0, at("2025-01-01"), price=20.0)
    ledger = replace(ledger_of(text), supplies=(bottle,))
    (chain,) = ledger.chains
    found = reckon(
        ledger, RULEBOOK, WAXED, {chain.id: 2000.0}, {chain.id: np.full(DRAWS, 0.2)},
        {chain.id: np.full(DRAWS, 5000.0)}, now=NOW, prices=Prices(),
    )  # fmt: skip
    assert found.care_per_1000_km == pytest.approx((20.0 * 6.0 / 120.0 + 2.0) / 2.0)
    assert found.missing == ()


def test_the_pot_pays_back():
    # Worked by hand: chain 40, cassette 120 outlived by 3 chains, lube life 2500, wax 6250 km, supplies 3 and
    # 4 per 1000 km: 35.0 - 16.8 = 18.2; a set-up of 80 is back after 4395.6 km.
    prices = Prices("EUR", cassette=120.0, setup=80.0)
    waxed = by_hand(
        "chain W1  price 40\n2025-01-02  immersed  W1  cost 25",
        WAXED,
        {"W1": 6250.0},
        {"W1": 1.0},
        {"W1": 6250.0},
        prices=prices,
    )
    lube = by_hand(
        "chain L1  wet lube  price 40\n2025-01-02  oiled  L1  cost 7.5",
        LUBE,
        {"L1": 2500.0},
        {"L1": 1.0},
        {"L1": 2500.0},
        prices=prices,
    )
    assert lube.together_per_1000_km == pytest.approx((35.0,) * 3, abs=0.005)
    assert waxed.together_per_1000_km == pytest.approx((16.8,) * 3, abs=0.005)
    back = pay_back(ledger_of("chain W1"), waxed, lube, prices, now=NOW)
    assert back is not None
    assert back.distance_km == pytest.approx((4395.6,) * 3, abs=0.05)
    assert (back.ridden_km, back.within) == (6250.0, ((3000.0, 0.0), (5000.0, 1.0), (10_000.0, 1.0)))
    assert back.on == (None, None, None)  # 6250 km were waxed: it is over
    assert said(back.sentence, SI) == (
        "The 80 EUR of setting up are likely back already: after about 4400 km on waxed chains, four times "
        "out of five between 4400 and 4400; 6200 km are ridden. The chance is 0 % within 3000 km, 100 % "
        "within 5000 km and 100 % within 10000 km."
    )
    never = pay_back(ledger_of("chain W1"), lube, waxed, prices, now=NOW)
    assert never is not None
    assert math.isinf(never.distance_km[1])
    assert said(never.sentence, SI) == (
        "The 80 EUR of setting up more likely than not never come back in money. The chance is 0 % within "
        "3000 km, 0 % within 5000 km and 0 % within 10000 km."
    )
    assert pay_back(ledger_of("chain W1"), waxed, lube, Prices("EUR", 120.0), now=NOW) is None


# Of 400 draws 100 save 40, 200 save 20 and 100 save 10 (or what is said) in 1000 km: 80 come back after 2000,
# 4000 and 8000 km on waxed chains. 1000 were ridden, in ten rides of the last year: 2.74 km a day. So it
# takes 1000, 3000 and 7000 more: one year, three and seven.
TEN_RIDES = "chain W1\n2025-01-01  fitted  W1  on Plover\n" + "".join(
    f"2025-0{month}-0{day} 08:00  rode  4 h  on Plover  dry\n" for month in range(1, 6) for day in (2, 4)
)


@pytest.mark.parametrize(
    ("least", "ridden_km", "km", "on", "words"),
    [
        (
            10.0,
            1000.0,
            (2000.0, 4000.0, 8000.0),
            ("2026-12-01", "2028-11-30", "2032-11-29"),
            "are back after about 4000 km on waxed chains, four times out of five between 2000 and 8000; "
            "1000 km are ridden. At last year's pace that is about November 2028, between December 2026 and "
            "November 2032. "
            "The chance is 25 % within 3000 km, 75 % within 5000 km and 100 % within 10000 km.",
        ),
        (  # wax costs more in a quarter of the draws: then never. The early end is behind it.
            -1.0,
            3000.0,
            (2000.0, 4000.0, math.inf),
            (None, "2026-12-01", None),
            "are back after about 4000 km on waxed chains, four times out of five between 2000 and never; "
            "3000 km are ridden. At last year's pace that is about December 2026, between now and never. "
            "The chance is 25 % within 3000 km, 75 % within 5000 km and 75 % within 10000 km.",
        ),
        (  # 800 000 km at that pace are beyond thirty years
            0.1,
            1000.0,
            (2000.0, 4000.0, 800_000.0),
            ("2026-12-01", "2028-11-30", None),
            "are back after about 4000 km on waxed chains, four times out of five between 2000 and 800000; "
            "1000 km are ridden. At last year's pace that is about November 2028, between December 2026 and "
            "beyond planning. "
            "The chance is 25 % within 3000 km, 75 % within 5000 km and 75 % within 10000 km.",
        ),
    ],
)
def test_when_the_pot_pays_back_with_its_range(least, ridden_km, km, on, words):
    saves = np.repeat((40.0, 20.0, least), (100, 200, 100))
    waxed = by_hand("chain W1  price 10", WAXED, {"W1": ridden_km}, {"W1": ridden_km / 1000.0})
    lube = replace(waxed, regime=LUBE, draws=waxed.draws + saves)
    back = pay_back(ledger_of(TEN_RIDES), waxed, lube, Prices("EUR", setup=80.0), now=NOW)
    assert back is not None
    assert back.distance_km == pytest.approx(km)
    for said_on, worked in zip(back.on, on, strict=True):
        assert (None if said_on is None else f"{said_on:%Y-%m-%d}") == worked
    assert said(back.sentence, SI) == f"The 80 EUR of setting up {words}"
    without = pay_back(ledger_of("chain W1"), waxed, lube, Prices(setup=80.0), now=NOW)
    assert without is not None
    assert without.on == (None, None, None)  # nothing was ridden of late: no pace
    assert without.sentence.startswith("The 80 of setting up are back after about ")
    assert "pace" not in without.sentence


def chain(name, slope, *, lube=False, readings=4, price=None):
    """Sixty days of 3 h on a bike of its own, wearing at this rate."""
    first = at("2025-01-01")
    lines = [
        f"chain {name}  12-speed  {'wet lube' if lube else ''}{f'  price {price}' if price else ''}",
        f"2025-01-01  fitted  {name}  on {name}s-bike",
    ]
    for number in range(1, 61):
        when = first + timedelta(days=number)
        lines.append(f"{when:%Y-%m-%d} 08:00  rode  3 h  on {name}s-bike  dry")
        if readings and number % (60 // readings) == 0:
            lines.append(f"{when:%Y-%m-%d} 20:00  measured  {name}  {0.05 + slope * 3 * number:.4f}")
    return "\n".join(lines) + "\n"


def test_a_chain_in_use_costs_the_share_of_its_life():
    found = cost(ledger_of(chain("W0", 0.0015, price=60)), RULEBOOK, WAXED, now=NOW)
    assert found.distance_km == pytest.approx(60 * 3 * 25.0)
    assert found.chain_per_1000_km is not None
    assert found.chain_per_1000_km[1] == pytest.approx(60 * (180 / 300) / 4.5, rel=0.12)
    assert found.chain_per_1000_km[0] < found.chain_per_1000_km[1] < found.chain_per_1000_km[2]
    assert found.missing == ()


def test_a_worn_chain_costs_its_price_a_retired_one_too_unless_it_was_unworn():
    worn = cost(ledger_of(chain("W0", 0.004, price=45)), RULEBOOK, WAXED, now=NOW)
    assert worn.chain_per_1000_km == pytest.approx((10.0,) * 3)
    text = chain("W0", 0.0005, price=45, readings=6) + "2025-11-01  retired  W0\n"
    unworn = cost(ledger_of(text), RULEBOOK, WAXED, now=NOW)
    assert unworn.chain_per_1000_km is not None
    assert unworn.chain_per_1000_km[2] < 5.0
    unmeasured = chain("W0", 0.0005, price=45, readings=0) + "2025-11-01  retired  W0\n"
    assert cost(ledger_of(unmeasured), RULEBOOK, WAXED, now=NOW).chain_per_1000_km == pytest.approx(
        (10.0,) * 3
    )


def test_both_regimes_are_reckoned_from_the_same_lives():
    ledger = ledger_of(chain("W0", 0.0015, price=60) + chain("L0", 0.003, lube=True, price=60))
    waxed, lube = (cost(ledger, RULEBOOK, regime, now=NOW) for regime in (WAXED, LUBE))
    assert waxed.together_per_1000_km is not None
    assert lube.together_per_1000_km is not None
    assert waxed.together_per_1000_km[1] < lube.together_per_1000_km[1]
    assert waxed.draws.shape == lube.draws.shape


def test_what_is_not_noted_is_named_and_a_life_not_known_costs_a_wide_share():
    text = chain("W0", 0.0015) + chain("W1", 0.0, readings=0, price=50)
    text += "2025-01-02  immersed  W0\n2025-12-24  immersed  W0\n"
    found = cost(ledger_of(text + "chain W2  price 10\n"), RULEBOOK, WAXED, now=NOW)
    assert found.missing == (
        "the price of W0",
        "the cost of some treatments of W0",
        "the minutes of some treatments of W0",
    )
    assert found.chain_per_1000_km is not None
    low, _, high = found.chain_per_1000_km
    assert high > 1.5 * low
    nothing = cost(ledger_of("chain W2  price 10"), RULEBOOK, WAXED, now=NOW)
    assert (nothing.distance_km, nothing.together_per_1000_km) == (0.0, None)
