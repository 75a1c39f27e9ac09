# Restricted likelihood with exponential spatial correlation and a nugget, by nlme; numbers in spatial_regression.csv.
# R -q -f spatial_regression.R   (R 4.2.2, nlme 3.1-162)
library(nlme)

# 36 places of a made region and two variables, exact in decimals, so that nothing is drawn.
i <- 0:35
east <- 1000 * (i %% 6) + 37 * ((i * 7) %% 11)
north <- 1000 * (i %/% 6) + 41 * ((i * 5) %% 13)
x <- round(sin(i * 1.3), 3)
y <- round(1 + 0.5 * x + 1.2 * sin(east / 1800) * cos(north / 2200) + 0.35 * cos(i * 2.9), 3)

out <- list()
keep <- function(name, value) out[[length(out) + 1]] <<- data.frame(quantity = name, value = format(value, digits = 12))

# Exponential with a nugget: correlation (1 - nugget) exp(-d / range), residual variance sigma^2.
fit <- gls(y ~ x, correlation = corExp(c(2000, 0.2), form = ~ east + north, nugget = TRUE), method = "REML",
           control = glsControl(tolerance = 1e-10, msTol = 1e-12, maxIter = 500, msMaxIter = 500))
p <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
keep("exponential: range", p[["range"]])
keep("exponential: nugget", p[["nugget"]])
keep("exponential: sigma2", fit$sigma^2)
keep("exponential: intercept", coef(fit)[[1]])
keep("exponential: slope", coef(fit)[[2]])
keep("exponential: se of slope", sqrt(vcov(fit)[2, 2]))
keep("exponential: log restricted likelihood", as.numeric(logLik(fit)))

write.csv(data.frame(east, north, x, y), "spatial_regression_data.csv", row.names = FALSE)
write.csv(do.call(rbind, out), "spatial_regression.csv", row.names = FALSE, quote = TRUE)
