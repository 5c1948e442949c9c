package catalog

import "strings"

// Key returns the form under which Find looks a name up: lower-case letters
// and digits only, Greek letters spelled, the words for a list shortened to
// its sign ("Messier 31" is m31), leading zeros gone, and a constellation's
// genitive shortened ("Alpha Lyrae" is alphalyr). It is empty if the name has
// no letter or digit.
func Key(name string) string {
	s := strings.ToLower(strings.TrimSpace(name))
	s = strings.TrimPrefix(s, "the ")
	s = spelled.Replace(s)
	var b strings.Builder
	for _, r := range s {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
		}
	}
	key := b.String()
	for _, l := range lists {
		if rest, ok := strings.CutPrefix(key, l.word); ok && rest != "" && rest[0] >= '0' && rest[0] <= '9' {
			key = l.sign + rest
			break
		}
	}
	for i := range len(key) { // m031 is m31
		if c := key[i]; c >= '0' && c <= '9' {
			if rest := strings.TrimLeft(key[i:], "0"); i > 0 && rest != "" && rest[0] <= '9' {
				key = key[:i] + rest
			}
			break
		}
	}
	for _, c := range constellations {
		if rest, ok := strings.CutSuffix(key, c.genitive); ok && rest != "" {
			return rest + strings.ToLower(c.sign)
		}
	}
	return key
}

// lists are the words for a list of objects and its sign in a key.
var lists = []struct{ word, sign string }{
	{"messier", "m"}, {"barnard", "b"}, {"caldwell", "c"}, {"collinder", "cr"},
	{"melotte", "mel"}, {"sharpless", "sh2"}, {"hipparcos", "hip"}, {"vandenbergh", "vdb"},
}

var greek = [...]struct{ letter, name string }{
	{"α", "alpha"}, {"β", "beta"}, {"γ", "gamma"}, {"δ", "delta"}, {"ε", "epsilon"}, {"ζ", "zeta"},
	{"η", "eta"}, {"θ", "theta"}, {"ι", "iota"}, {"κ", "kappa"}, {"λ", "lambda"}, {"μ", "mu"},
	{"ν", "nu"}, {"ξ", "xi"}, {"ο", "omicron"}, {"π", "pi"}, {"ρ", "rho"}, {"σ", "sigma"},
	{"τ", "tau"}, {"υ", "upsilon"}, {"φ", "phi"}, {"χ", "chi"}, {"ψ", "psi"}, {"ω", "omega"},
}

// spelled replaces what is not an ASCII letter or digit and yet says something.
var spelled = func() *strings.Replacer {
	pairs := []string{
		"á", "a", "ā", "a", "ã", "a", "é", "e", "í", "i", "ó", "o", "ö", "o", "ú", "u", "ü", "u",
		"¹", "1", "²", "2", "³", "3", "ς", "sigma",
		"µ", "mu", // the micro sign
		"sharpless 2-", "sh2", // not Sharpless 2...
	}
	for _, g := range greek {
		pairs = append(pairs, g.letter, g.name)
	}
	return strings.NewReplacer(pairs...)
}()

// constellations are the signs of the constellations and their genitives as a
// key has them.
var constellations = [...]struct{ sign, genitive string }{
	{"And", "andromedae"}, {"Ant", "antliae"}, {"Aps", "apodis"}, {"Aql", "aquilae"},
	{"Aqr", "aquarii"}, {"Ara", "arae"}, {"Ari", "arietis"}, {"Aur", "aurigae"},
	{"Boo", "bootis"}, {"CMa", "canismajoris"}, {"CMi", "canisminoris"}, {"CVn", "canumvenaticorum"},
	{"Cae", "caeli"}, {"Cam", "camelopardalis"}, {"Cap", "capricorni"}, {"Car", "carinae"},
	{"Cas", "cassiopeiae"}, {"Cen", "centauri"}, {"Cep", "cephei"}, {"Cet", "ceti"},
	{"Cha", "chamaeleontis"}, {"Cir", "circini"}, {"Cnc", "cancri"}, {"Col", "columbae"},
	{"Com", "comaeberenices"}, {"CrA", "coronaeaustralis"}, {"CrB", "coronaeborealis"}, {"Crt", "crateris"},
	{"Cru", "crucis"}, {"Crv", "corvi"}, {"Cyg", "cygni"}, {"Del", "delphini"},
	{"Dor", "doradus"}, {"Dra", "draconis"}, {"Equ", "equulei"}, {"Eri", "eridani"},
	{"For", "fornacis"}, {"Gem", "geminorum"}, {"Gru", "gruis"}, {"Her", "herculis"},
	{"Hor", "horologii"}, {"Hya", "hydrae"}, {"Hyi", "hydri"}, {"Ind", "indi"},
	{"LMi", "leonisminoris"}, {"Lac", "lacertae"}, {"Leo", "leonis"}, {"Lep", "leporis"},
	{"Lib", "librae"}, {"Lup", "lupi"}, {"Lyn", "lyncis"}, {"Lyr", "lyrae"},
	{"Men", "mensae"}, {"Mic", "microscopii"}, {"Mon", "monocerotis"}, {"Mus", "muscae"},
	{"Nor", "normae"}, {"Oct", "octantis"}, {"Oph", "ophiuchi"}, {"Ori", "orionis"},
	{"Pav", "pavonis"}, {"Peg", "pegasi"}, {"Per", "persei"}, {"Phe", "phoenicis"},
	{"Pic", "pictoris"}, {"PsA", "piscisaustrini"}, {"Psc", "piscium"}, {"Pup", "puppis"},
	{"Pyx", "pyxidis"}, {"Ret", "reticuli"}, {"Scl", "sculptoris"}, {"Sco", "scorpii"},
	{"Sct", "scuti"}, {"Ser", "serpentis"}, {"Sex", "sextantis"}, {"Sge", "sagittae"},
	{"Sgr", "sagittarii"}, {"Tau", "tauri"}, {"Tel", "telescopii"}, {"TrA", "trianguliaustralis"},
	{"Tri", "trianguli"}, {"Tuc", "tucanae"}, {"UMa", "ursaemajoris"}, {"UMi", "ursaeminoris"},
	{"Vel", "velorum"}, {"Vir", "virginis"}, {"Vol", "volantis"}, {"Vul", "vulpeculae"},
}
