"""A planted aquarium filled with new material at day 0, whose limit rises with its age.

Biofilms of ammonia and nitrite oxidisers begin near zero: ammonia comes first, then nitrite, then nitrate. Surfaces
become settled, plants lose leaves, root, fill their store of nitrogen (Droop) and grow in, and the substrate comes to
denitrify over months (saturation kinetics in nitrate, per area).

Left out: the loss of ammonia as gas, the fixation of nitrogen, and ammonia bound to clay, which only delays.

References (from memory unless said otherwise):
  Henze et al. 2000 (ASM1, ASM2d; defaults seen), Nowka, Daims & Spieck 2015: see nitrifiers.py.
  Hovanec & DeLong 1996, Appl. Environ. Microbiol. 62:2888; Hovanec et al. 1998, 64:258: nitrifiers of freshwater
    aquariums appear over the first weeks, those of nitrite after those of ammonia.
  Droop 1973, J. Phycol. 9:264: growth by the store, mu (1 - Q_min / Q). Gerloff & Krombholz 1966, Limnol. Oceanogr.
    11:529: critical nitrogen of submersed plants 13 mg/g. Hill 1979, Aquat. Bot. (abstract seen): mean 26.5 mg/g.
  Garcia-Ruiz, Pattinson & Whitton 1998, Appl. Environ. Microbiol. 64:2533: denitrification of river sediment saturates
    with nitrate, half-saturation about 0.2 to 4 mg N/L. Seitzinger 1988, Limnol. Oceanogr. 33:702: 17 to 84 mg N/m2/d.
  Westrich & Berner 1984, Limnol. Oceanogr. 29:236: fractions of detritus. Timmons & Ebeling, Recirculating Aquaculture.
"""

import copy
import math
from collections import deque
from dataclasses import dataclass, field
from random import Random
from typing import Self

from worlds.ambient import (
    DAYS_PER_MONTH,
    MEQ_PER_L_PER_DKH,
    MG_N_PER_MMOL,
    Ambient,
    log_uniform,
    oxygen_saturation_mmol_per_l,
)
from worlds.nitrifiers import ALKALINITY_HALF_MEQ_PER_L, OXYGEN_HALF_MMOL_PER_L, THETA
from worlds.seam import (
    AMMONIA_DETECTED_MG_N_PER_L,
    NITRATE_CEILING_MG_N_PER_L,
    NITRITE_DETECTED_MG_N_PER_L,
    PROTEIN_PER_N,
    Trimmed,
)
from worlds.substrate_tank import PLANT_THETA, Life, Tank, floor_m2, logistic_with_trims, preference, share_after


@dataclass(frozen=True, slots=True)
class Parameters:
    """All that is drawn for one aquarium of this kind. Rates per day at 20 deg C, plants in g dry."""

    area_m2: float
    food_n: float  # mg N per g
    uneaten: float
    faeces: float  # share of the nitrogen eaten
    retained: float  # by fish, of the nitrogen taken up
    fish_loss: float
    animal_shares: tuple[float, float]  # of detritus: fast, slow; the rest decays never
    plant_shares: tuple[float, float]
    decay: tuple[float, float]
    decay_theta: float
    surface_days: float  # in which surfaces settle
    surface_start: float
    bed_most: float  # denitrified by a matured bed, mg N/m2/d
    bed_half: float  # mg N/L
    bed_theta: float
    bed_days: float  # in which the bed matures
    root_days: float
    root_start: float  # growth and uptake before roots, as a share
    plant_growth: float  # with a store without end
    plant_loss: float
    melt: float  # further loss at day 0
    melt_days: float
    plant_most_g: float
    plant_start_g: float
    store_least: float  # mg N/g
    store_most: float
    uptake: float  # mg N/g/d with an empty store
    half: float  # mg N/L
    dry_share: float

    @classmethod
    def draw(cls, rng: Random, volume_l: float, protein_percent: float) -> Self:
        """Ranges: see the comments; "practice" is common practice, no source."""
        area_m2 = floor_m2(rng, volume_l)
        fast_animal, fast_plant = rng.uniform(0.60, 0.80), rng.uniform(0.40, 0.60)  # Westrich & Berner: 0.50 and 0.16
        inert_animal, inert_plant = rng.uniform(0.03, 0.10), rng.uniform(0.05, 0.12)  # practice
        store_least, store_most = rng.uniform(8.0, 13.0), rng.uniform(30.0, 50.0)  # Gerloff & Krombholz; Hill
        growth = rng.uniform(0.020, 0.050)  # in weak light; Nielsen & Sand-Jensen 1991: up to 0.1, from memory
        full = growth * (1.0 - store_least / store_most)
        most_g = area_m2 * log_uniform(rng, 30.0, 200.0)  # stands of lakes, 30 to 500 g/m2, textbooks
        return cls(
            area_m2=area_m2,
            food_n=10.0 * protein_percent * rng.uniform(0.95, 1.05) / PROTEIN_PER_N,
            uneaten=log_uniform(rng, 0.03, 0.30),  # practice
            faeces=rng.uniform(0.10, 0.20),  # digestibility of protein 0.80 to 0.90 (Timmons & Ebeling)
            retained=rng.uniform(0.0, 0.15),  # grown fish; 0.3 and more in young ones (the same)
            fish_loss=1.0 / rng.uniform(300.0, 900.0),  # practice
            animal_shares=(fast_animal, 1.0 - fast_animal - inert_animal),
            plant_shares=(fast_plant, 1.0 - fast_plant - inert_plant),
            decay=(log_uniform(rng, 0.05, 0.20), log_uniform(rng, 0.003, 0.010)),  # Westrich & Berner: 0.066, 0.0038
            decay_theta=rng.uniform(1.06, 1.10),  # Q10 of 1.8 to 2.6
            surface_days=rng.uniform(20.0, 60.0),  # practice: filters are run in after one to two months
            surface_start=rng.uniform(0.02, 0.10),
            bed_most=log_uniform(rng, 10.0, 90.0),  # Seitzinger 1988: 17 to 84 in rich sediments, less in poor ones
            bed_half=log_uniform(rng, 0.3, 4.0),  # Garcia-Ruiz et al. 1998
            bed_theta=rng.uniform(1.05, 1.10),
            bed_days=rng.uniform(50.0, 150.0),  # practice: "half a year"
            root_days=rng.uniform(15.0, 45.0),  # practice: plants root in three to six weeks
            root_start=rng.uniform(0.5, 0.7),
            plant_growth=growth,
            plant_loss=full * rng.uniform(0.12, 0.25),
            melt=rng.uniform(0.0, 0.03),  # practice: plants grown in air shed their leaves in the first weeks
            melt_days=rng.uniform(7.0, 21.0),
            plant_most_g=most_g,
            plant_start_g=most_g * rng.uniform(0.05, 0.20),
            store_least=store_least,
            store_most=store_most,
            uptake=full * store_most * rng.uniform(2.0, 6.0),  # stores fill within a week or two
            half=log_uniform(rng, 0.02, 0.30),
            dry_share=rng.uniform(0.07, 0.13),
        )


@dataclass(frozen=True, slots=True)
class Rest:
    """Everything at rest at one ration and one nitrate, means of a month; net_nitrate is what is left over, mg N/d."""

    net_nitrate: float
    ammonia: float  # mg N/L
    nitrite: float
    plants_after_trim_g: float
    store: float  # mg N/g
    oxidised_mg_n: float
    fish_mg: float
    detritus: tuple[float, float]


@dataclass(slots=True, kw_only=True)
class YoungTank(Tank):
    """The aquarium. Nitrogen in mg, plants in g dry, alkalinity in meq."""

    p: Parameters
    plants_g: float = 0.0
    plants_mg: float = 0.0
    fish_mg: float = 0.0
    buried_mg: float = 0.0
    detritus: list[float] = field(default_factory=list)
    recent_g: deque[float] = field(default_factory=lambda: deque(maxlen=30))  # plants of the last days, one a day
    held_age_d: float | None = None  # a copy in which nothing grows older
    held_most_g: float = 0.0

    @classmethod
    def draw(cls, seed: int) -> Self:
        """An aquarium on the day on which it was filled and planted."""
        rng = Random(f"young tank {seed}")
        volume_l = log_uniform(rng, 10.0, 120.0)
        protein_percent = float(rng.randint(35, 50))
        p = Parameters.draw(rng, volume_l, protein_percent)
        # Keepers cut about what grows: a share of the growth that the plants would have in the open.
        cut_per_d = p.plant_growth * (1.0 - p.store_least / p.store_most) * rng.uniform(0.10, 0.20)
        world = cls(
            volume_l=volume_l,
            new=True,
            usual_trim_per_month=share_after(cut_per_d, DAYS_PER_MONTH),
            protein_percent=protein_percent,
            food_n=p.food_n,
            life=Life.draw(rng, p.area_m2),
            ambient=Ambient.draw(rng, volume_l),
            rng=rng,
            p=p,
        )
        world.nitrate_mg = rng.uniform(0.0, 2.0) * volume_l  # tap water below 10 mg/L as the ion, practice
        world.alkalinity_meq = rng.uniform(3.0, 10.0) * MEQ_PER_L_PER_DKH * volume_l
        world.plants_g = p.plant_start_g
        world.plants_mg = world.plants_g * rng.uniform(0.4, 0.9) * p.store_most
        world.recent_g.append(world.plants_g)
        world.detritus = [0.0, 0.0]
        # From plants, hands and tap water; no source but that run-in takes three to six weeks (Hovanec et al. 1998).
        world.ammonia_oxidisers = log_uniform(rng, 1e-5, 1e-3) * volume_l
        world.nitrite_oxidisers = log_uniform(rng, 1e-5, 1e-3) * volume_l
        world._begin_account()
        return world

    @property
    def age_d(self) -> float:
        """Days since it was filled, as far as growing old goes."""
        return self.day if self.held_age_d is None else self.held_age_d

    def settled(self) -> float:
        """The share of the surfaces that can carry biofilm."""
        start = self.p.surface_start
        return start + (1.0 - start) * share_after(1.0 / self.p.surface_days, self.age_d)

    def matured(self) -> float:
        """Denitrification of the bed as a share of a matured one's: two steps, of organic coating and of bacteria."""
        return share_after(1.0 / self.p.bed_days, self.age_d) ** 2

    def rooted(self) -> float:
        """Uptake and growth of plants as a share of rooted ones'."""
        start = self.p.root_start
        return start + (1.0 - start) * share_after(1.0 / self.p.root_days, self.age_d)

    def trim(self, share: float) -> Trimmed:
        """Leaves and stems of all plants alike."""
        dry_g, out_mg = share * self.plants_g, share * self.plants_mg
        self.plants_g -= dry_g
        self.plants_mg -= out_mg
        self.account.add("trimmed", out_mg)
        # Species and water between leaves differ from one cut to the next: a few percent; practice.
        dry_share = self.p.dry_share * math.exp(self.rng.gauss(0.0, 0.05))
        return Trimmed(dry_g / dry_share, dry_share, out_mg / dry_g / 1000.0 if dry_g > 0.0 else 0.0)

    def _other_pools(self) -> dict[str, float]:
        return {
            "plants": self.plants_mg,
            "fish": self.fish_mg,
            "detritus": math.fsum(self.detritus),
            "buried": self.buried_mg,
        }

    def _decay(self, food_g: float, warm: float, dt: float) -> float:
        """One step of animals, dead plants and detritus: the nitrogen set free in the water, in mg."""
        p = self.p
        food_n = food_g * p.food_n
        absorbed = food_n * (1.0 - p.uneaten) * (1.0 - p.faeces)
        kept = absorbed * p.retained
        died = self.fish_mg * share_after(p.fish_loss, dt)
        self.fish_mg += kept - died
        animal = food_n - absorbed + died
        # Leaves grown in air are shed once; in a copy that is held this is over.
        melt = p.melt * math.exp(-self.day / p.melt_days) if self.held_age_d is None else 0.0
        fallen = share_after((p.plant_loss + melt) * PLANT_THETA**warm, dt)
        plant = fallen * self.plants_mg
        self.plants_g -= fallen * self.plants_g
        self.plants_mg -= plant
        self.buried_mg += animal * (1.0 - sum(p.animal_shares)) + plant * (1.0 - sum(p.plant_shares))
        free = absorbed - kept
        for j in range(2):
            decays = share_after(p.decay[j] * p.decay_theta**warm, dt)
            there = self.detritus[j] + animal * p.animal_shares[j] + plant * p.plant_shares[j]
            free += there * decays
            self.detritus[j] = there * (1.0 - decays)
        return free

    def _step(self, food_g: float, dt: float) -> None:
        p, v, ambient = self.p, self.volume_l, self.ambient
        ambient.step(self.day, dt)
        temperature_c = ambient.temperature_c(self.day + 0.5 * dt)
        warm = temperature_c - 20.0
        lit = ambient.lit_share(self.day, dt)
        self._breathe(lit, self.day < ambient.dark_until, dt)
        oxygen = self.oxygen_share * oxygen_saturation_mmol_per_l(temperature_c)
        charge_before = self._charge()
        free = self._decay(food_g, warm, dt)

        # Plants fill their store by day and night.
        s, n = self.ammonia_mg / v, self.nitrate_mg / v
        rooted = self.rooted()
        wish = first = 0.0
        if self.plants_g > 0.0:
            store = self.plants_mg / self.plants_g
            hunger = max(0.0, (p.store_most - store) / (p.store_most - p.store_least))
            rate = p.uptake * PLANT_THETA**warm * rooted * (s + n) / (p.half + s + n)
            wish = rate * hunger * self.plants_g * dt
            first = wish * preference(s, n, p.half)
            # They grow by light, out of the store.
            most_g = p.plant_most_g if self.held_age_d is None else self.held_most_g
            room = 1.0 - self.plants_g / most_g if most_g > 0.0 else 0.0
            if store > p.store_least and room > 0.0:
                growth = p.plant_growth * PLANT_THETA**warm * rooted * lit / ambient.light_days
                self.plants_g *= 1.0 + growth * (1.0 - p.store_least / store) * room * dt
        others = first / self.ammonia_mg if self.ammonia_mg > 0.0 else 0.0

        alkalinity = self.alkalinity_meq / v
        buffered = alkalinity / (ALKALINITY_HALF_MEQ_PER_L + alkalinity) if alkalinity > 0.0 else 0.0
        activity = THETA**warm * oxygen / (OXYGEN_HALF_MMOL_PER_L + oxygen)
        from_ammonia, made = self._nitrify(
            self.ammonia_mg + free, others, activity, buffered, THETA**warm, self.settled(), dt
        )

        # The bed and plants take nitrate in proportion to what is left at the end of the step (Patankar's rule).
        before = self.nitrate_mg
        bed = p.bed_most * p.area_m2 * self.matured() * p.bed_theta**warm * n / (p.bed_half + n) * dt
        losses = (bed + max(0.0, wish - from_ammonia)) / before if before > 0.0 else 0.0
        gained = before + made
        self.nitrate_mg = gained / (1.0 + losses)
        reduced = bed * self.nitrate_mg / before if before > 0.0 else 0.0
        self.account.add("gas", reduced)
        self.plants_mg += from_ammonia + gained - self.nitrate_mg - reduced
        self.alkalinity_meq = max(0.0, self.alkalinity_meq + self._charge() - charge_before)
        if math.floor(self.day + dt + 1e-9) > math.floor(self.day + 1e-9):
            self.recent_g.append(self.plants_g)

    def _plants_at_rest(self, both: float) -> tuple[float, float, float, float]:
        """Store in mg N/g, and rate, growth and loss a day in the open, with so much ammonia and nitrate in mg N/L."""
        p, warm = self.p, self.ambient.mean_c - 20.0
        factor = PLANT_THETA**warm
        loss = p.plant_loss * factor
        # The store is what uptake keeps up against growth, which at rest makes up for loss and trims.
        grows = loss - math.log1p(-self.usual_trim_per_month) / DAYS_PER_MONTH
        uptake = p.uptake * factor * self.rooted() * both / (p.half + both)
        store = uptake * p.store_most / (uptake + (p.store_most - p.store_least) * grows)
        growth = max(0.0, p.plant_growth * factor * self.rooted() * (1.0 - p.store_least / store))
        return store, growth - loss, growth, loss

    def _most_for_today(self) -> float:
        """The mass that would stop growth, if usual trims are to keep the plants at their mean of the last month."""
        if self.held_age_d is not None:
            return self.held_most_g
        _, rate, growth, _ = self._plants_at_rest(NITRATE_CEILING_MG_N_PER_L)
        spare = rate + math.log1p(-self.usual_trim_per_month) / DAYS_PER_MONTH
        return math.fsum(self.recent_g) / len(self.recent_g) * growth / spare if spare > 0.0 else 0.0

    def rest(self, food_g_per_d: float, nitrate: float) -> Rest:
        """Everything at rest but nitrate, held at so many mg N/L; nothing older than today; at the mean temperature."""
        p, v, life, mean_c = self.p, self.volume_l, self.life, self.ambient.mean_c
        warm, most_g, settled = mean_c - 20.0, self._most_for_today(), self.settled()
        theta = THETA**warm
        oxygen = life.aerated * oxygen_saturation_mmol_per_l(mean_c)
        activity = theta * oxygen / (OXYGEN_HALF_MMOL_PER_L + oxygen)
        alkalinity = max(1e-6, (self.alkalinity_meq - self._charge()) / v - nitrate / MG_N_PER_MMOL)
        buffered = alkalinity / (ALKALINITY_HALF_MEQ_PER_L + alkalinity)
        food_n = food_g_per_d * p.food_n
        absorbed = food_n * (1.0 - p.uneaten) * (1.0 - p.faeces)
        kept = absorbed * p.retained
        animal = food_n - absorbed + kept
        most_a, most_n = settled * life.most_ammonia_cod, settled * life.most_nitrite_cod

        # The ammonia that nitrifiers leave, of what plants leave them, falls as ammonia rises: so halving finds it.
        low, high = 1e-4, 100.0
        for _ in range(24):
            ammonia = math.sqrt(low * high)
            store, rate, growth, loss = self._plants_at_rest(ammonia + nitrate)
            mean_g, before_g = logistic_with_trims(rate, growth, most_g, self.usual_trim_per_month, DAYS_PER_MONTH)
            fallen = store * loss * mean_g
            uptake = fallen + store * self.usual_trim_per_month * before_g / DAYS_PER_MONTH
            from_ammonia = uptake * preference(ammonia, nitrate, p.half)
            decays = animal * sum(p.animal_shares) + fallen * sum(p.plant_shares)
            offered = absorbed - kept + decays - from_ammonia
            lasting = life.ammonia.at_rest(offered, most_a, life.dormant * most_a, activity * buffered, theta)
            low, high = (ammonia, high) if lasting > ammonia else (low, ammonia)
        bed = p.bed_most * p.area_m2 * self.matured() * p.bed_theta**warm * nitrate / (p.bed_half + nitrate)
        falls = [animal * a + fallen * b for a, b in zip(p.animal_shares, p.plant_shares, strict=True)]
        return Rest(
            net_nitrate=max(0.0, offered) - bed - (uptake - from_ammonia),
            ammonia=ammonia,
            nitrite=life.nitrite.at_rest(offered, most_n, life.dormant * most_n, activity, theta),
            plants_after_trim_g=(1.0 - self.usual_trim_per_month) * before_g,
            store=store,
            oxidised_mg_n=offered,
            fish_mg=kept / p.fish_loss,
            detritus=(falls[0] / p.decay[0] / p.decay_theta**warm, falls[1] / p.decay[1] / p.decay_theta**warm),
        )

    def held(self) -> Self:
        """A copy that grows no older, whose usual trims keep the plants as they are, at the mean temperature."""
        other = copy.deepcopy(self)
        other.ambient = self.ambient.held()
        other.held_most_g = self._most_for_today()
        other.held_age_d = self.age_d
        return other

    def settle(self, food_g_per_d: float, nitrate: float) -> None:
        """Bring a held copy to rest at a ration, just after a trim, with nitrate as given in mg N/L; a new account."""
        rest = self.rest(food_g_per_d, nitrate)
        before_meq = self.alkalinity_meq - self._charge()
        self.ammonia_mg = min(rest.ammonia, 1.0) * self.volume_l
        self.nitrite_mg = min(rest.nitrite, 1.0) * self.volume_l
        self.nitrate_mg = nitrate * self.volume_l
        self.alkalinity_meq = max(0.0, before_meq + self._charge())
        self.plants_g = rest.plants_after_trim_g
        self.plants_mg = rest.store * self.plants_g
        self.fish_mg, self.detritus = rest.fish_mg, list(rest.detritus)
        self._nitrifiers_at_rest(rest.oxidised_mg_n, THETA ** (self.ambient.mean_c - 20.0), self.settled())
        self.buried_mg = 0.0
        self._begin_account()

    def _over(self, food_g_per_d: float) -> bool:
        """Whether a ration ends over a bound."""
        high = NITRATE_CEILING_MG_N_PER_L
        rest = self.rest(food_g_per_d, high)
        if rest.net_nitrate > 0.0:
            return True
        if rest.ammonia <= 0.9 * AMMONIA_DETECTED_MG_N_PER_L and rest.nitrite <= 0.9 * NITRITE_DETECTED_MG_N_PER_L:
            return False  # nitrate under the ceiling changes both by less than that
        low = 1e-4
        for _ in range(24):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if self.rest(food_g_per_d, middle).net_nitrate > 0.0 else (low, middle)
        rest = self.rest(food_g_per_d, high)
        return rest.ammonia > AMMONIA_DETECTED_MG_N_PER_L or rest.nitrite > NITRITE_DETECTED_MG_N_PER_L

    def limit_g(self) -> float:
        """The least ration that ends over a bound, by halving between steps of a half."""
        low = 1e-5 * self.volume_l / 20.0
        if self._over(low):
            return 0.0
        high = low * 1.5
        while not self._over(high) and high < self.volume_l:
            low, high = high, high * 1.5
        for _ in range(20):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self._over(middle) else (middle, high)
        return low
