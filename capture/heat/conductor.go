package heat

import "math"

// Material is what a conductor is made of, by the constants of IEC 60364-5-54 Annex A (IEC 60949).
type Material struct {
	Name        string
	BetaC       float64 // °C, reciprocal of the temperature coefficient of resistivity at 0 °C
	HeatJPerKmm float64 // J/(K mm³), volumetric heat capacity at 20 °C
	Rho20OhmMM  float64 // Ω mm, resistivity at 20 °C
}

// The materials that leads and windings are made of. Copper, aluminium, steel and lead by Annex A.
var (
	Copper    = Material{"copper", 234.5, 3.45e-3, 17.241e-6}
	Aluminium = Material{"aluminium", 228, 2.5e-3, 28.264e-6}
	Steel     = Material{"steel", 202, 3.8e-3, 138e-6}
	Lead      = Material{"lead", 230, 1.45e-3, 214e-6}
)

// Materials lists them in the order a form offers them.
var Materials = []Material{Copper, Aluminium, Steel, Lead}

// MaterialNamed finds a material; an empty name is copper, which nearly all leads are.
func MaterialNamed(name string) (Material, bool) {
	if name == "" {
		return Copper, true
	}
	for _, m := range Materials {
		if m.Name == name {
			return m, true
		}
	}
	return Material{}, false
}

// The durations that the adiabatic equation is meant for, seconds. Above 5 s a conductor gives off so
// much heat that the sum is a bound: the true temperature is lower, and what an insulation stands for
// 5 s it does not stand for long. Below 0.1 s a device's let-through is compared with k²S² instead of
// using the current's time (IEC 60364-4-43, 434.5.2, from memory).
const (
	AdiabaticFromS = 0.1
	AdiabaticToS   = 5.0
)

// ConstantK is the constant K of the material, A s^½/mm² (226 for copper as the standard rounds it).
func (m Material) ConstantK() float64 {
	return math.Sqrt(m.HeatJPerKmm * (m.BetaC + 20) / m.Rho20OhmMM)
}

// KFactor is the factor k of the adiabatic equation between two temperatures of the conductor, °C, in
// A s^½/mm²: IEC 60364-5-54 Annex A. NaN where it does not get warmer.
func (m Material) KFactor(startC, endC float64) float64 {
	if !(endC > startC) || startC <= -m.BetaC {
		return math.NaN()
	}
	return m.ConstantK() * math.Sqrt(math.Log((m.BetaC+endC)/(m.BetaC+startC)))
}

// WithstandA2s is the heat that takes a conductor of that area from one temperature to the other where
// none of it gets out: k²S² (IEC 60364-5-54, 543.1.2).
func (m Material) WithstandA2s(areaMM2, startC, endC float64) float64 {
	if !(areaMM2 > 0) {
		return math.NaN()
	}
	k := m.KFactor(startC, endC)
	return k * k * areaMM2 * areaMM2
}

// EndC is the temperature, °C, after that much heat: the adiabatic equation the other way round. It is
// what the conductor reaches at most; heat that it gives off leaves it cooler.
func (m Material) EndC(a2s, areaMM2, startC float64) float64 {
	if !(areaMM2 > 0) || !(a2s >= 0) || startC <= -m.BetaC {
		return math.NaN()
	}
	kS := m.ConstantK() * areaMM2
	return (m.BetaC+startC)*math.Exp(a2s/(kS*kS)) - m.BetaC
}

// LongestS is how long that conductor carries a steady current until it gets to endC, seconds, all heat
// kept: at least so long. +Inf without a current.
func (m Material) LongestS(currentA, areaMM2, startC, endC float64) float64 {
	return m.WithstandA2s(areaMM2, startC, endC) / (currentA * currentA)
}

// Ohm is the resistance of a conductor at a temperature by its own resistivity, linear about 20 °C with
// the slope 1/(β+20).
func (m Material) Ohm(lengthM, areaMM2, atC float64) float64 {
	if !(areaMM2 > 0) || !(lengthM >= 0) {
		return math.NaN()
	}
	return m.Rho20OhmMM * 1000 * lengthM / areaMM2 * m.ResistanceFactor(atC)
}

// ResistanceFactor is the resistance at a temperature over that at 20 °C: (β+T)/(β+20). IEC 60228
// corrects measured resistances by its reciprocal.
func (m Material) ResistanceFactor(atC float64) float64 { return (m.BetaC + atC) / (m.BetaC + 20) }

// Insulation is what is around a conductor and what that stands.
type Insulation struct {
	Name     string
	WorkingC float64 // °C of the conductor, for ever
	ShortC   float64 // °C of the conductor at the end of a short of at most 5 s
	Source   string
}

// Insulations by the tables of IEC 60364-5-52 (working) and 60364-5-54 (short circuit).
var Insulations = []Insulation{
	{"PVC", 70, 160, "IEC 60364-5-54 table A.54.2, up to 300 mm²"},
	{"PVC 90", 90, 160, "IEC 60364-5-54 table A.54.2"},
	{"XLPE", 90, 250, "IEC 60364-5-54 table A.54.2, EPR too"},
	{"rubber 60", 60, 200, "IEC 60364-5-54 table A.54.2"},
	{"rubber 85", 85, 220, "IEC 60364-5-54 table A.54.2"},
	{"silicone", 180, 350, "from memory; IEC 60364-4-43"},
	{"bare", 70, 150, "IEC 60364-5-54 table A.54.6, where there is a danger of fire; 70 °C to touch: common practice, no source"},
}

// InsulationNamed finds an insulation; an empty name is PVC, the weakest that is usual.
func InsulationNamed(name string) (Insulation, bool) {
	if name == "" {
		return Insulations[0], true
	}
	for _, i := range Insulations {
		if i.Name == name {
			return i, true
		}
	}
	return Insulation{}, false
}

// AmbientC is where a lead starts that is not yet warm: IEC 60364-5-54 tables A.54.2 and A.54.6 take 30 °C.
const AmbientC = 30.0
