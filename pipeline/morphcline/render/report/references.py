"""The sources that the methods name, as they were published: the same in every language."""

from __future__ import annotations

REFERENCES = (
    "Anselin L. 1995. Local indicators of spatial association: LISA. Geographical Analysis 27: 93–115.",
    "Assunção R.M. & Reis E.A. 1999. A new proposal to adjust Moran's I for population density. Statistics in Medicine "
    "18: 2147–2162.",
    "Barbujani G., Oden N.L. & Sokal R.R. 1989. Detecting regions of abrupt change in maps of biological variables. "
    "Systematic Zoology 38: 376–389.",
    "Barton N.H. & Hewitt G.M. 1985. Analysis of hybrid zones. Annual Review of Ecology and Systematics 16: 113–148.",
    "Benjamini Y. & Hochberg Y. 1995. Controlling the false discovery rate. Journal of the Royal Statistical Society B "
    "57: 289–300.",
    "Besag J. & Clifford P. 1991. Sequential Monte Carlo p-values. Biometrika 78: 301–304.",
    "Breslow N.E. & Clayton D.G. 1993. Approximate inference in generalized linear mixed models. Journal of the "
    "American Statistical Association 88: 9–25.",
    "Brown L.D., Cai T.T. & DasGupta A. 2001. Interval estimation for a binomial proportion. Statistical Science 16: "
    "101–133.",
    "Burnham K.P. & Anderson D.R. 2002. Model selection and multimodel inference. Springer.",
    "Cain A.J. & Sheppard P.M. 1954. Natural selection in Cepaea. Genetics 39: 89–116.",
    "Calonico S., Cattaneo M.D. & Farrell M.H. 2018. On the effect of bias estimation on coverage accuracy in "
    "nonparametric inference. Journal of the American Statistical Association 113: 767–779.",
    "Chandler R.E. & Bate S. 2007. Inference for clustered data using the independence loglikelihood. Biometrika 94: "
    "167–183.",
    "Cliff A.D. & Ord J.K. 1981. Spatial processes: models and applications. Pion.",
    "Cressie N. 1985. Fitting variogram models by weighted least squares. Mathematical Geology 17: 563–586.",
    "Cressie N. 1993. Statistics for spatial data. Wiley.",
    "Davison A.C. & Hinkley D.V. 1997. Bootstrap methods and their application. Cambridge University Press.",
    "Diggle P.J. & Ribeiro P.J. 2007. Model-based geostatistics. Springer.",
    "Dutilleul P. 1993. Modifying the t test for assessing the correlation between two spatial processes. Biometrics "
    "49: 305–314.",
    "Fortin M.-J. & Dale M.R.T. 2005. Spatial analysis: a guide for ecologists. Cambridge University Press.",
    "Haldane J.B.S. 1948. The theory of a cline. Journal of Genetics 48: 277–284.",
    "Harrell F.E. 2001. Regression modeling strategies. Springer.",
    "Kenward M.G. & Roger J.H. 1997. Small sample inference for fixed effects from restricted maximum likelihood. "
    "Biometrics 53: 983–997.",
    "Kish L. 1965. Survey sampling. Wiley.",
    "Lewontin R.C. 1964. The interaction of selection and linkage. I. Genetics 49: 49–67.",
    "le Cessie S. & van Houwelingen J.C. 1991. A goodness-of-fit test for binary regression models, based on smoothing "
    "methods. Biometrics 47: 1267–1282.",
    "Loader C. 1999. Local regression and likelihood. Springer.",
    "Mantel N. 1967. The detection of disease clustering and a generalized regression approach. Cancer Research 27: "
    "209–220.",
    "Mantel N. & Haenszel W. 1959. Statistical aspects of the analysis of data from retrospective studies of disease. "
    "Journal of the National Cancer Institute 22: 719–748.",
    "Matheron G. 1963. Principles of geostatistics. Economic Geology 58: 1246–1266.",
    "Moran P.A.P. 1950. Notes on continuous stochastic phenomena. Biometrika 37: 17–23.",
    "Myllymäki M., Mrkvička T., Grabarnik P., Seijo H. & Hahn U. 2017. Global envelope tests for spatial processes. "
    "Journal of the Royal Statistical Society B 79: 381–404.",
    "Newcombe R.G. 1998. Two-sided confidence intervals for the single proportion: comparison of seven methods. "
    "Statistics in Medicine 17: 857–872.",
    "Roberts D.R. et al. 2017. Cross-validation strategies for data with temporal, spatial, hierarchical, or "
    "phylogenetic structure. Ecography 40: 913–929.",
    "Rousset F. 1997. Genetic differentiation and estimation of gene flow from F-statistics under isolation by "
    "distance. Genetics 145: 1219–1228.",
    "Schucany W.R. & Sommers J.P. 1977. Improvement of kernel type density estimators. Journal of the American "
    "Statistical Association 72: 420–423.",
    "Skellam J.G. 1948. A probability distribution derived from the binomial distribution. Journal of the Royal "
    "Statistical Society B 10: 257–261.",
    "Sokal R.R. & Oden N.L. 1978. Spatial autocorrelation in biology. Biological Journal of the Linnean Society 10: "
    "199–228.",
    "Szymura J.M. & Barton N.H. 1986. Genetic analysis of a hybrid zone between the fire-bellied toads, Bombina "
    "bombina and B. variegata, near Cracow in southern Poland. Evolution 40: 1141–1159.",
    "Tibshirani R. & Hastie T. 1987. Local likelihood estimation. Journal of the American Statistical Association 82: "
    "559–567.",
    "van Houwelingen H.C., Zwinderman K.H. & Stijnen T. 1993. A bivariate approach to meta-analysis. Statistics in "
    "Medicine 12: 2273–2284.",
    "Wagner H.H. & Dray S. 2015. Generating spatially constrained null models for irregularly spaced data using Moran "
    "spectral randomization methods. Methods in Ecology and Evolution 6: 1169–1178.",
    "Weir B.S. & Cockerham C.C. 1984. Estimating F-statistics for the analysis of population structure. Evolution 38: "
    "1358–1370.",
    "Williams D.A. 1975. The analysis of binary responses from toxicological experiments involving reproduction and "
    "teratogenicity. Biometrics 31: 949–952.",
    "Williams D.A. 1982. Extra-binomial variation in logistic linear models. Applied Statistics 31: 144–148.",
    "Womble W.H. 1951. Differential systematics. Science 114: 315–322.",
)
