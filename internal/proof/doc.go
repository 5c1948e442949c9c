// Package proof says in the morning whether a night's stars were round and, if
// not, which cause is behind it: from the stars of the subs, where the subs
// point, and what the guide camera measured.
//
// Method. The evidence is one vector of numbers for the night: the mean star
// and how it differs over the field and from sub to sub, the drift and the
// turning of the field, the light of the stars, and what the series of the guide
// camera shows. One forward model predicts all of it from the amounts of all
// causes at once. Every cause has an ordinary amount, such as any sound rig
// shows, and its spread. A hypothesis sets one cause free of its ordinary
// amount, or two where one leaves the evidence unexplained; its amounts are
// marginalised by Laplace's method, and the hypotheses are weighed against each
// other by what is left. No limit on a single number decides.
//
// Axes and units. Covariances are arcsec^2 with axes east and north, as in
// package ledger. Numbers that are not known are NaN.
package proof
