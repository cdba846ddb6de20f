// Package attributestudy says how far a limit gauge, which goes or does not go, can
// be trusted in the hands of those who use it.
//
// # Words
//
// Several people try several parts several times; each decision accepts the part or
// not. Against a reference for each part (is it truly good?) there are
//
//   - effectiveness: the share of parts on which all of a person's trials are right;
//   - the miss rate: bad parts accepted, as a share of all decisions on bad parts;
//   - the false alarm rate: good parts refused, as a share of all decisions on good parts.
//
// Each share comes with the exact interval of C. J. Clopper and E. S. Pearson,
// Biometrika 26 (1934) 404.
//
// Cohen's kappa is by how much two raters agree beyond chance, κ = (p_o - p_e)/(1 -
// p_e): p_o the share of decisions on which they agree, p_e what their totals alone
// would give (J. Cohen, Educ. Psychol. Meas. 20 (1960) 37). Its standard error is that of
// J. L. Fleiss, J. Cohen and B. S. Everitt, Psychol. Bull. 72 (1969) 323. Trials
// are paired in their order. It has no value where both always say the same one thing.
//
// # Blur
//
// Where the sizes of the parts are known, the gauge is a detector: it accepts a part
// of size x with probability Φ((x - c)/σ), or Φ((c - x)/σ) when it accepts small ones.
// c is where half are accepted, σ the blur: the standard deviation of where the gauge is
// felt to go. Both are fitted by maximum likelihood (C. I. Bliss, Ann. Appl. Biol. 22
// (1935) 134; D. J. Finney, Probit Analysis, 1947); the interval of σ is that of the profile
// likelihood (chi-square with one degree of freedom), which stays sound where no
// trial was in doubt: then σ may be nothing, and only its upper end says something.
// The zone in which parts are now accepted, now not, from 1 % to 99 %, is 2·2.326 σ
// wide. Beside it stands the zone as it was seen, from the farthest part that was once
// refused wrongly to the farthest once accepted wrongly (signal detection,
// Measurement Systems Analysis, AIAG, 4th ed., from memory).
//
// Sizes are in micrometres from any origin common to all.
//
// # What it does not do
//
// Repeated decisions on one part are taken as independent given its size. Parts far
// from the limit say nothing of the blur, however many there are: choose them close. More than
// two answers (too small, good, too large) are two studies.
package attributestudy
