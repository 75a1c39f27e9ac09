# Made the numbers in tests/stats/test_differentiation.py and test_isolation.py. R 4.2.2, ade4 1.7-22.
library(ade4)
options(digits = 12)
count <- c(3, 10, 14, 0, 7, 12, 5, 9)
total <- c(20, 25, 18, 9, 30, 21, 16, 12)
habitat <- factor(c("a", "a", "a", "b", "b", "c", "c", "c"))
east <- c(0, 300, 900, 2500, 4000, 5200, 7000, 9000)
north <- c(0, 400, 100, 800, 0, 1500, 600, 2000)

# Shells of two kinds; the squared distance of two shells is 1 where they differ.
samples <- data.frame(rbind(count, total - count)); rownames(samples) <- c("yes", "no")
apart <- as.dist(matrix(c(0, 1, 1, 0), 2, dimnames = list(rownames(samples), rownames(samples))))
print(amova(samples, apart, data.frame(habitat = habitat))$statphi)
print(amova(samples, apart)$statphi)

# Probabilities of being unlike, without bias, against the logarithm of distance: correlation (Mantel's statistic) and slope.
p <- count / total
own <- 2 * p * (1 - p) * total / (total - 1)
unlike <- outer(p, 1 - p) + outer(1 - p, p)
excess <- unlike - outer(own, own, "+") / 2
away <- as.dist(log2(as.matrix(dist(cbind(east, north)))))
print(cor(as.vector(away), as.vector(as.dist(excess))))
print(coef(lm(as.vector(as.dist(excess)) / mean(own) ~ as.vector(away))))
