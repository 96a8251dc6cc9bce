"""An older planted aquarium whose nitrogen leaves mostly by denitrification in its substrate.

Food, faeces, dead fish and dead leaves become detritus, which decays in several fractions of their own pace (the
multi-G model) on the substrate and within it. Within the substrate the decay uses up oxygen, and below the depth that
oxygen reaches it uses nitrate that diffuses down: the one-dimensional diffusion-reaction model with zero-order rates,
whose flux is of half order in nitrate. Ammonia set free in the substrate is nitrified on its way up through the layer
with oxygen. Plants grow logistically, take ammonia before nitrate, and have a constant share of nitrogen.

Left out: the loss of ammonia as gas (small below pH 8), the store of pore water (a few percent of the water), nitrous
oxide (counted as gas with dinitrogen), and evaporation (topped up with water free of salts).

References (from memory unless said otherwise):
  Westrich & Berner 1984, Limnol. Oceanogr. 29:236: multi-G decay; fresh plankton 24 and 1.4 per year, a part never.
  Nielsen et al. 1990, Christensen et al. 1990, Di Toro 2001: see sediment.py.
  Burgin & Hamilton 2007, Front. Ecol. Environ. 5:89: part of the nitrate becomes ammonium again.
  Seitzinger 1988, Limnol. Oceanogr. 33:702: 50 to 250 umol N/m2/h in sediments rich in nutrients.
  Hill 1979, Aquat. Bot. (abstract seen): leaves of Potamogeton decay by 0.031 to 0.041 per day;
    plants hold 26.5 mg N/g.
  Thomann & Mueller 1987, Principles of Surface Water Quality Modeling: preference for ammonia.
  Timmons & Ebeling, Recirculating Aquaculture: digestibility and excretion of feed (the shares seen second hand).
"""

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Self

from worlds.ambient import (
    DAYS_PER_MONTH,
    MEQ_PER_L_PER_DKH,
    MG_C_PER_MMOL,
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
    Trimmed,
)
from worlds.sediment import Layers, between, layers
from worlds.substrate_parameters import Parameters
from worlds.substrate_tank import PLANT_THETA, Tank, logistic_with_trims, preference, share_after

_FISH_C_PER_N = 4.0  # mg per mg, of dead fish; textbooks


@dataclass(frozen=True, slots=True)
class Rest:
    """Everything at rest at one ration and one nitrate, means of a month; net_nitrate is what is left over, mg N/d."""

    net_nitrate: float
    ammonia: float  # mg N/L
    nitrite: float
    plants_after_trim_g: float
    oxidised_mg_n: float  # ammonia a day in the water
    fish_mg: float
    on_bed_n: Sequence[float]
    in_bed_n: Sequence[float]
    on_bed_c: Sequence[float]
    in_bed_c: Sequence[float]
    layers: Layers


@dataclass(slots=True, kw_only=True)
class Substrate(Tank):
    """The aquarium. Nitrogen and carbon in mg, plants in g dry, alkalinity in meq."""

    p: Parameters
    plants_g: float = 0.0
    fish_mg: float = 0.0
    buried_mg: float = 0.0
    pore_mg: float = 0.0  # ammonium made of nitrate, on its way up
    on_bed_n: list[float] = field(default_factory=list)
    in_bed_n: list[float] = field(default_factory=list)
    on_bed_c: list[float] = field(default_factory=list)
    in_bed_c: list[float] = field(default_factory=list)
    layers: Layers = field(default_factory=lambda: Layers(0.005, 0.0, 0.0, 0.0))

    @classmethod
    def draw(cls, seed: int) -> Self:
        """An aquarium that has run for months on little food; its slow detritus has come as far as that age lets it."""
        rng = Random(f"substrate {seed}")
        volume_l = log_uniform(rng, 10.0, 120.0)
        protein_percent = float(rng.randint(35, 50))
        p = Parameters.draw(rng, volume_l, protein_percent)
        # Keepers cut about what grows: a share of the growth that the plants would have in the open.
        cut_per_d = (p.plant_growth - p.plant_loss) * rng.uniform(0.2, 0.5)
        world = cls(
            volume_l=volume_l,
            new=False,
            usual_trim_per_month=share_after(cut_per_d, DAYS_PER_MONTH),
            protein_percent=protein_percent,
            food_n=p.food_n,
            life=p.life,
            ambient=Ambient.draw(rng, volume_l),
            rng=rng,
            p=p,
        )
        kh = rng.uniform(3.0, 10.0)
        world.alkalinity_meq = kh * MEQ_PER_L_PER_DKH * volume_l
        # Up to now its keeper fed little, and less than it carries for ever; practice.
        before_g = min(rng.uniform(0.005, 0.015) * volume_l / 20.0, rng.uniform(0.5, 0.9) * world.limit_g())
        world.settle(before_g, age_d=log_uniform(rng, 60.0, 1000.0))
        world.alkalinity_meq = kh * MEQ_PER_L_PER_DKH * volume_l
        return world

    def trim(self, share: float) -> Trimmed:
        """Leaves and stems of all plants alike."""
        dry_g = share * self.plants_g
        self.plants_g -= dry_g
        self.account.add("trimmed", dry_g * self.p.plant_n)
        # Species and water between leaves differ from one cut to the next: a few percent; practice.
        dry_share = self.p.dry_share * math.exp(self.rng.gauss(0.0, 0.05))
        return Trimmed(dry_g / dry_share, dry_share, self.p.plant_n / 1000.0)

    def _other_pools(self) -> dict[str, float]:
        return {
            "plants": self.plants_g * self.p.plant_n,
            "fish": self.fish_mg,
            "detritus": math.fsum(self.on_bed_n) + math.fsum(self.in_bed_n),
            "pore_water": self.pore_mg,
            "buried": self.buried_mg,
        }

    def _fall_and_decay(self, food_g: float, warm: float, dt: float) -> tuple[float, float, float]:
        """One step of animals, dead plants and detritus.

        Returns the nitrogen set free in the water and in the bed, and the carbon that decays in the bed, all in mg.
        """
        p = self.p
        food_n, food_c = food_g * p.food_n, food_g * p.food_c
        eaten_n = food_n * (1.0 - p.uneaten)
        absorbed = eaten_n * (1.0 - p.faeces_n)
        kept = absorbed * p.retained
        died = self.fish_mg * share_after(p.fish_loss, dt)
        self.fish_mg += kept - died
        animal_n = food_n - absorbed + died
        animal_c = food_c * (p.uneaten + (1.0 - p.uneaten) * p.faeces_c) + died * _FISH_C_PER_N
        fallen_g = self.plants_g * share_after(p.plant_loss * PLANT_THETA**warm, dt)
        self.plants_g -= fallen_g
        plant_n, plant_c = fallen_g * p.plant_n, fallen_g * p.plant_c
        inert = animal_n * (1.0 - sum(p.animal_shares)) + plant_n * (1.0 - sum(p.plant_shares))
        self.buried_mg += inert
        decay_factor = p.decay_theta**warm
        mixed = share_after(p.mixed_in, dt)
        water_n = absorbed - kept
        bed_n, bed_c = self.pore_mg, 0.0
        for j in range(3):
            decays = share_after(p.decay[j] * decay_factor, dt)
            a, b = p.animal_shares[j], p.plant_shares[j]
            on_n = self.on_bed_n[j] + animal_n * a * (1.0 - p.into_bed) + plant_n * b * (1.0 - p.roots)
            on_c = self.on_bed_c[j] + animal_c * a * (1.0 - p.into_bed) + plant_c * b * (1.0 - p.roots)
            in_n = self.in_bed_n[j] + animal_n * a * p.into_bed + plant_n * b * p.roots
            in_c = self.in_bed_c[j] + animal_c * a * p.into_bed + plant_c * b * p.roots
            water_n += on_n * decays
            bed_n += in_n * decays
            bed_c += in_c * decays
            down = mixed * (1.0 - decays)
            self.on_bed_n[j] = on_n * (1.0 - decays - down)
            self.on_bed_c[j] = on_c * (1.0 - decays - down)
            self.in_bed_n[j] = in_n * (1.0 - decays) + on_n * down
            self.in_bed_c[j] = in_c * (1.0 - decays) + on_c * down
        return water_n, bed_n, bed_c

    def _step(self, food_g: float, dt: float) -> None:
        p, v, ambient = self.p, self.volume_l, self.ambient
        ambient.step(self.day, dt)
        middle = self.day + 0.5 * dt
        temperature_c = ambient.temperature_c(middle)
        dark = self.day < ambient.dark_until
        lit = ambient.lit_share(self.day, dt)
        self._breathe(lit, dark, dt)
        oxygen = self.oxygen_share * oxygen_saturation_mmol_per_l(temperature_c)
        warm = temperature_c - 20.0

        charge_before = self._charge()
        water_n, bed_n, bed_c = self._fall_and_decay(food_g, warm, dt)

        # The bed.
        mol = p.area_m2 * dt * 1000.0  # mmol in this step per mol/m2/d
        alkalinity = self.alkalinity_meq / v
        buffered = alkalinity / (ALKALINITY_HALF_MEQ_PER_L + alkalinity) if alkalinity > 0.0 else 0.0
        nitrate = self.nitrate_mg / v / MG_N_PER_MMOL
        now = layers(
            p.bed, temperature_c, oxygen, nitrate, bed_c / MG_C_PER_MMOL / mol, bed_n / MG_N_PER_MMOL / mol, self.layers
        )
        # Pore water follows within hours: depth squared over diffusion is a tenth of a day to a day.
        self.layers = between(self.layers, now, share_after(6.0, dt))
        to_mg = mol * MG_N_PER_MMOL
        bed_nitrified = now.nitrified * to_mg * buffered
        bed_reduced = now.reduced_bed * to_mg * buffered
        water_reduced = now.reduced_water * to_mg

        # Plants, by light. What they and the bed take is in proportion to what is left at the end of the step
        # (Patankar's rule), which keeps it above zero.
        wish = first = 0.0
        room = 1.0 - self.plants_g / p.plant_most_g
        if lit > 0.0 and room > 0.0:
            s, n = self.ammonia_mg / v, self.nitrate_mg / v
            rate = p.plant_growth * PLANT_THETA**warm * lit / ambient.light_days * room
            wish = p.plant_n * self.plants_g * rate * (s + n) / (p.plant_half + s + n) * dt
            first = wish * preference(s, n, p.plant_half)
        others = first / self.ammonia_mg if self.ammonia_mg > 0.0 else 0.0

        activity = THETA**warm * oxygen / (OXYGEN_HALF_MMOL_PER_L + oxygen)
        offered = self.ammonia_mg + water_n + bed_n - bed_nitrified
        from_ammonia, made = self._nitrify(offered, others, activity, buffered, THETA**warm, 1.0, dt)
        gained = self.nitrate_mg + bed_nitrified - bed_reduced + made
        before = self.nitrate_mg
        losses = (water_reduced + max(0.0, wish - from_ammonia)) / before if before > 0.0 else 0.0
        self.nitrate_mg = gained / (1.0 + losses)
        kept_share = self.nitrate_mg / before if before > 0.0 else 0.0
        water_left = water_reduced * kept_share
        from_nitrate = gained - self.nitrate_mg - water_left
        self.plants_g += (from_ammonia + from_nitrate) / p.plant_n
        reduced = bed_reduced + water_left
        self.account.add("gas", reduced * (1.0 - p.dnra))
        self.pore_mg = reduced * p.dnra

        self.alkalinity_meq = max(0.0, self.alkalinity_meq + self._charge() - charge_before)

    def rest(self, food_g_per_d: float, nitrate: float) -> Rest:
        """Everything at rest but nitrate, which is held at so many mg N/L; at the mean temperature, by fixed point."""
        p, v, a = self.p, self.volume_l, self.ambient
        warm = a.mean_c - 20.0
        decay = [k * p.decay_theta**warm for k in p.decay]
        theta = THETA**warm
        oxygen = p.life.aerated * oxygen_saturation_mmol_per_l(a.mean_c)
        growth = theta * oxygen / (OXYGEN_HALF_MMOL_PER_L + oxygen)
        fixed_meq_per_l = (
            self.alkalinity_meq / v + (self.nitrate_mg + self.nitrite_mg - self.ammonia_mg) / v / MG_N_PER_MMOL
        )
        alkalinity = max(1e-6, fixed_meq_per_l - nitrate / MG_N_PER_MMOL)
        buffered = alkalinity / (ALKALINITY_HALF_MEQ_PER_L + alkalinity)

        food_n, food_c = food_g_per_d * p.food_n, food_g_per_d * p.food_c
        absorbed = food_n * (1.0 - p.uneaten) * (1.0 - p.faeces_n)
        kept = absorbed * p.retained
        animal_n = food_n - absorbed + kept
        animal_c = food_c * (p.uneaten + (1.0 - p.uneaten) * p.faeces_c) + kept * _FISH_C_PER_N
        open_growth, loss = p.plant_growth * PLANT_THETA**warm, p.plant_loss * PLANT_THETA**warm

        # The ammonia that nitrifiers leave, of what plants leave them, falls as ammonia rises: so halving finds it. The
        # bed comes to rest meanwhile, and for some rounds before.
        low, high, now, reduced = 1e-4, 100.0, self.layers, 0.0
        for i in range(32):
            ammonia = math.sqrt(low * high)
            both = ammonia + nitrate
            fed = both / (p.plant_half + both)
            plants_g, before_trim_g = logistic_with_trims(
                open_growth * fed - loss, open_growth * fed, p.plant_most_g, self.usual_trim_per_month, DAYS_PER_MONTH
            )
            uptake = p.plant_n * (loss * plants_g + self.usual_trim_per_month * before_trim_g / DAYS_PER_MONTH)
            from_ammonia = uptake * preference(ammonia, nitrate, p.plant_half)
            plant_n, plant_c = loss * plants_g * p.plant_n, loss * plants_g * p.plant_c
            pools: list[list[float]] = []
            released: list[float] = []
            for animal, plant in ((animal_n, plant_n), (animal_c, plant_c)):
                on, bed = [], []
                for j in range(3):
                    on_in = animal * p.animal_shares[j] * (1.0 - p.into_bed) + plant * p.plant_shares[j] * (
                        1.0 - p.roots
                    )
                    on.append(on_in / (decay[j] + p.mixed_in))
                    in_in = animal * p.animal_shares[j] * p.into_bed + plant * p.plant_shares[j] * p.roots
                    bed.append((in_in + p.mixed_in * on[j]) / decay[j])
                pools += [on, bed]
                released += [sum(k * g for k, g in zip(decay, pool, strict=True)) for pool in (on, bed)]
            on_n, in_n, _, in_c = released
            mol = 1000.0 * p.area_m2
            steady = layers(
                p.bed,
                a.mean_c,
                oxygen,
                nitrate / MG_N_PER_MMOL,
                in_c / MG_C_PER_MMOL / mol,
                (in_n + p.dnra * reduced) / MG_N_PER_MMOL / mol,
                now,
            )
            now = between(now, steady, 0.7)
            bed_nitrified = now.nitrified * mol * MG_N_PER_MMOL * buffered
            reduced = (now.reduced_bed * buffered + now.reduced_water) * mol * MG_N_PER_MMOL
            offered = absorbed - kept + on_n + in_n - bed_nitrified + p.dnra * reduced - from_ammonia
            if i >= 8:
                lasting = p.life.ammonia.at_rest(
                    offered, p.life.most_ammonia_cod, p.life.dormant * p.life.most_ammonia_cod, growth * buffered, theta
                )
                low, high = (ammonia, high) if lasting > ammonia else (low, ammonia)
        nitrite = p.life.nitrite.at_rest(
            offered, p.life.most_nitrite_cod, p.life.dormant * p.life.most_nitrite_cod, growth, theta
        )
        return Rest(
            net_nitrate=max(0.0, offered) + bed_nitrified - reduced - (uptake - from_ammonia),
            ammonia=ammonia,
            nitrite=nitrite,
            plants_after_trim_g=(1.0 - self.usual_trim_per_month) * before_trim_g,
            oxidised_mg_n=offered,
            fish_mg=kept / p.fish_loss,
            on_bed_n=pools[0],
            in_bed_n=pools[1],
            on_bed_c=pools[2],
            in_bed_c=pools[3],
            layers=now,
        )

    def nitrate_at_rest(self, food_g_per_d: float) -> float:
        """The nitrate, in mg N/L, that a ration comes to; at most 1000."""
        low, high = 1e-4, 1000.0
        for _ in range(26):
            middle = math.sqrt(low * high)
            if self.rest(food_g_per_d, middle).net_nitrate > 0.0:
                low = middle
            else:
                high = middle
        return high

    def settle(self, food_g_per_d: float, age_d: float = math.inf, nitrate: float | None = None) -> None:
        """Bring everything to rest at a ration, just after a trim; slow detritus as far as an age lets it.

        Nitrate, in mg N/L, comes to rest too unless it is given. The account begins anew.
        """
        p, warm = self.p, self.ambient.mean_c - 20.0
        nitrate = self.nitrate_at_rest(food_g_per_d) if nitrate is None else nitrate
        rest = self.rest(food_g_per_d, nitrate)
        come = [share_after(k * p.decay_theta**warm, age_d) for k in p.decay]
        self.on_bed_n = [g * c for g, c in zip(rest.on_bed_n, come, strict=True)]
        self.in_bed_n = [g * c for g, c in zip(rest.in_bed_n, come, strict=True)]
        self.on_bed_c = [g * c for g, c in zip(rest.on_bed_c, come, strict=True)]
        self.in_bed_c = [g * c for g, c in zip(rest.in_bed_c, come, strict=True)]
        self.ammonia_mg, self.nitrite_mg = (
            min(rest.ammonia, 1.0) * self.volume_l,
            min(rest.nitrite, 1.0) * self.volume_l,
        )
        before_meq = self.alkalinity_meq + self.nitrate_mg / MG_N_PER_MMOL
        self.nitrate_mg = nitrate * self.volume_l
        self.alkalinity_meq = max(0.0, before_meq - self.nitrate_mg / MG_N_PER_MMOL)
        self.plants_g = rest.plants_after_trim_g
        self.fish_mg = rest.fish_mg * share_after(p.fish_loss, age_d)
        self._nitrifiers_at_rest(rest.oxidised_mg_n, THETA**warm, 1.0)
        self.layers = rest.layers
        self.buried_mg, self.pore_mg = 0.0, 0.0
        self._begin_account()

    def held(self) -> Self:
        """A copy at the mean temperature, without seasons or events."""
        other = copy.deepcopy(self)
        other.ambient = self.ambient.held()
        return other

    def _over(self, food_g_per_d: float) -> bool:
        """Whether a ration ends over a bound."""
        rest = self.rest(food_g_per_d, NITRATE_CEILING_MG_N_PER_L)
        if rest.net_nitrate > 0.0:
            return True
        if rest.ammonia <= 0.9 * AMMONIA_DETECTED_MG_N_PER_L and rest.nitrite <= 0.9 * NITRITE_DETECTED_MG_N_PER_L:
            return False  # nitrate under the ceiling changes both by less than that
        rest = self.rest(food_g_per_d, self.nitrate_at_rest(food_g_per_d))
        return rest.ammonia > AMMONIA_DETECTED_MG_N_PER_L or rest.nitrite > NITRITE_DETECTED_MG_N_PER_L

    def limit_g(self) -> float:
        """The least ration that ends over a bound, by halving between steps of a fifth; nothing here depends on age."""
        low = 1e-4 * self.volume_l / 20.0
        if self._over(low):
            return 0.0
        high = low * 1.2
        while not self._over(high) and high < self.volume_l:
            low, high = high, high * 1.2
        for _ in range(20):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self._over(middle) else (middle, high)
        return low
